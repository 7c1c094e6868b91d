"""The floor with 500 stations: what it weighs, how soon it lives, how it scrolls while it changes.

    python tests/bench/console.py [stations]

Stations beyond the room's four lead nowhere. Times are of this machine, everything on it at once.
"""

import asyncio
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from browser.conftest import FLAGS  # noqa: E402
from browser.rig import Room, running  # noqa: E402
from playwright.async_api import Page, async_playwright  # noqa: E402

from gateway import logs  # noqa: E402

_FRAMES = """() => {
  window.framesMs = []; let last = performance.now();
  const tick = now => { framesMs.push(now - last); last = now; requestAnimationFrame(tick); };
  requestAnimationFrame(tick);
}"""
_LOAD = """() => {
  const page = performance.getEntriesByType('navigation')[0];
  const wire = performance.getEntries().reduce((sum, one) => sum + (one.encodedBodySize || 0), 0);
  const live = performance.now();
  return {answer: page.responseEnd, interactive: page.domInteractive, live, wire};
}"""


async def _load(page: Page) -> dict[str, Any]:
    await page.goto("/floor")
    await page.wait_for_function("document.querySelector('#pulse').textContent === 'Live'")
    told: dict[str, Any] = await page.evaluate(_LOAD)
    return told


async def _scroll_while_it_changes(room: Room, page: Page, stations: int) -> list[float]:
    await page.evaluate(_FRAMES)

    async def changes() -> None:
        for number in range(60):
            name = f"st-{4 + number % (stations - 4):03d}"
            state = "execute" if number % 2 else "idle"
            await room.send("station.state", station=name, state=state, detail=str(number))

    async def scroll() -> None:
        for _ in range(60):
            await page.mouse.wheel(0, 400)
            await asyncio.sleep(0.05)

    await asyncio.gather(changes(), scroll())
    frames: list[float] = await page.evaluate("framesMs.slice(2)")
    return sorted(frames)


async def main(stations: int) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        async with running(Path(folder), stations=stations) as room, async_playwright() as play:
            browser = await play.chromium.launch(
                executable_path=shutil.which("chromium"), args=FLAGS
            )
            page = await browser.new_page(
                base_url=room.url, viewport={"width": 1440, "height": 900}
            )
            started = time.monotonic()
            await room.api.get("/floor")
            print(f"{stations} stations; page made in {time.monotonic() - started:.2f} s")
            for name in ("first load", "second load"):
                told = await _load(page)
                print(
                    f"{name:12} {told['wire'] / 1000:6.1f} kB  answer {told['answer']:5.0f} ms  "
                    f"interactive {told['interactive']:5.0f} ms  live {told['live']:5.0f} ms"
                )
            frames = await _scroll_while_it_changes(room, page, stations)
            at = [frames[int(len(frames) * share)] for share in (0.5, 0.95)]
            print(f"{len(frames)} frames: half within {at[0]:.1f} ms, 19 in 20 within {at[1]:.1f}")
            await browser.close()


if __name__ == "__main__":
    with Path("/dev/null").open("w", encoding="utf-8") as nothing:
        logs.configure(nothing)
        asyncio.run(main(int(sys.argv[1]) if len(sys.argv) > 1 else 500))
