"""Every page: it opens, holds to WCAG 2.2 AA by axe-core, and goes by keyboard and without script.

axe-core's rules for WCAG 2.0, 2.1 and 2.2 at levels A and AA (W3C Recommendations) are run whole.
"""

import os
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Browser, Page, expect

from browser.rig import Room

AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
FIRST_LOAD_BYTES = 150_000
TABLET = {"width": 820, "height": 1180}
DESK = {"width": 1440, "height": 900}


@pytest.fixture
def axe() -> str:
    """The script of axe-core, from npm; in CI it must be there."""
    if not AXE.exists():
        reason = "axe-core is not installed: npm install in tests/browser"
        pytest.fail(reason) if os.environ.get("CI") else pytest.skip(reason)
    return AXE.read_text(encoding="utf-8")


async def _busy(room: Room) -> list[str]:
    """A room in which every page has something to show; the pages to look at."""
    row = await room.shift()
    await room.send("supply.changed", station="floor", slot=1, bag="tube-400", metres_left=20)
    big = room.small(1)[0]
    lines = tuple(line.model_copy(update={"quantity": 4000}) for line in big.lines)
    await room.scan("bench", big.model_copy(update={"lines": lines}))
    order = row[1]["order_id"]
    return [
        "/floor", "/floor?show=attention", "/floor/bench", "/floor/floor", "/waiting", "/orders",
        f"/orders/{order}", "/mislabels", "/mislabels/M-00001", "/figures", "/goods", "/ledger",
        "/stations-found", "/site", "/search?q=T-0", "/search?q=nothing+such", "/orders/none",
        "/floor/bench/affected?seq=5", "/sign-in",
    ]  # fmt: skip


async def _troubles(page: Page, axe: str) -> list[str]:
    """What axe-core finds against its rules, as one line each."""
    await page.evaluate(axe)
    found: dict[str, Any] = await page.evaluate(
        "rules => axe.run(document, {runOnly: {type: 'tag', values: rules}})", RULES
    )
    return [
        f"{page.url}: {fault['id']}: {node['target']}: {node['failureSummary']}"
        for fault in found["violations"]
        for node in fault["nodes"]
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, TABLET], ids=["desk", "tablet"])
async def test_every_page_holds_to_wcag(
    room: Room, browser: Browser, axe: str, scheme: Any, size: Any
) -> None:
    """No page breaks a rule of axe-core for WCAG 2.2 AA, light or dark, on desk or tablet."""
    pages = await _busy(room)
    context = await browser.new_context(
        base_url=room.url, viewport=size, color_scheme=scheme, bypass_csp=True
    )
    page = await context.new_page()
    troubles = []
    for path in pages:
        await page.goto(path)
        for summary in await page.locator("main details:not([open]) > summary").all():
            if await summary.is_visible():
                await summary.click()
        troubles += await _troubles(page, axe)
    await context.close()
    assert [] == troubles


async def test_no_page_scrolls_sideways_on_a_tablet(room: Room, page: Page) -> None:
    """Every page fits a tablet held upright, and a phone's 360 points at worst."""
    pages = await _busy(room)
    wide = []
    for width in (820, 360):
        await page.set_viewport_size({"width": width, "height": 1000})
        for path in pages:
            await page.goto(path)
            over = await page.evaluate(
                "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            )
            if over > 0:
                wide.append(f"{path} at {width}: {over} px too wide")
    assert [] == wide


async def test_every_page_tells_what_it_is_for(room: Room, page: Page) -> None:
    """Each page opens, shows what was done in the room, and asks nobody but the gateway."""
    pages = await _busy(room)
    first = await room.view("bench")
    order = first["row"][0]["order_id"]
    told = {
        "/floor": ["Bench 1", "Held", order, "load nothing"],
        "/floor/bench": ["the row is shifted", "Repair the row", "Nothing, while the station"],
        "/floor/floor": ["20 m left"],
        "/waiting": ["May Bench 1 go on?", "For manual packing"],
        "/orders": [order, "packed", "manual packing"],
        "/mislabels": ["M-00001", "Shifted row"],
        "/mislabels/M-00001": ["Which other bags could be affected?", "Printed, and missing since"],
        "/figures": ["Mislabels per million", "1 000 000", "row shifted"],
        "/goods": ["one-size-360x480", "never chosen"],
        "/ledger": ["Merkle root", "Verify all of it now"],
        "/stations-found": ["In the site file", "Bench 1"],
        "/site": ["store.url", "Europe/Lisbon", "952 is set aside for examples"],
        "/search?q=T-0": [order],
        "/search?q=nothing+such": ["Nothing found."],
        "/orders/none": ["There is no order"],
    }
    missing = []
    for path in pages:
        await page.goto(path)
        await expect(page.locator("h1").first).to_be_visible()
        text = (await page.inner_text("main")).replace("\u202f", " ")
        missing += [f"{path}: {words}" for words in told.get(path, []) if words not in text]
    assert [] == missing


async def test_ledger_is_verified_on_demand(room: Room, page: Page) -> None:
    """One button reads every entry again and says how many stand."""
    await room.two_printed()
    await page.goto("/ledger")
    await page.get_by_role("button", name="Verify all of it now").click()
    await expect(page.get_by_role("status").first).to_contain_text("It stands:")


async def test_first_load_is_light(room: Room, page: Page) -> None:
    """The floor with all it needs comes in under 150 kB over the wire."""
    await room.shift()
    session = await page.context.new_cdp_session(page)
    await session.send("Network.enable")
    sizes: list[float] = []
    session.on("Network.loadingFinished", lambda told: sizes.append(told["encodedDataLength"]))
    await page.goto("/floor", wait_until="load")
    await expect(page.locator("#pulse")).to_have_text("Live")
    assert 0 < sum(sizes) < FIRST_LOAD_BYTES


async def test_keyboard_alone_reaches_and_releases_a_hold(room: Room, page: Page) -> None:
    """Tab and Enter lead from the top of a station's page into the form that releases it."""
    await room.shift()
    await page.goto("/floor/bench")
    await page.keyboard.press("Tab")
    await expect(page.locator(".skip")).to_be_focused()
    await page.keyboard.press("Enter")
    summary = page.locator("#release > summary")
    for _ in range(60):
        await page.keyboard.press("Tab")
        if await summary.evaluate("one => one === document.activeElement"):
            break
    await page.keyboard.press("Enter")
    await page.keyboard.press("Tab")
    await page.keyboard.type("seen every bag")
    await page.keyboard.press("Tab")
    await page.keyboard.type("R. Example")
    await page.keyboard.press("Enter")
    await expect(page.get_by_role("status").first).to_contain_text("may go on")


async def test_without_script_every_action_works(room: Room, browser: Browser) -> None:
    """With scripts off she still holds, repairs, explains and searches."""
    row = await room.shift()
    context = await browser.new_context(base_url=room.url, java_script_enabled=False)
    page = await context.new_page()
    await page.goto("/floor/bench")
    await expect(page.locator("#pulse")).to_contain_text("Not live")
    await page.locator("#repair > summary").click()
    await page.locator("#repair").get_by_label("Why").fill("found it")
    await page.locator("#repair").get_by_label("Your name").fill("R. Example")
    await page.locator("#repair").get_by_role("button").click()
    await expect(page.get_by_role("status").first).to_contain_text("row is put right")
    await page.get_by_role("searchbox").fill(row[0]["order_id"])
    await page.get_by_role("button", name="Find").click()
    await expect(page.locator("h1")).to_contain_text(row[0]["order_id"])
    await context.close()


async def test_two_people_answer_at_once_and_the_second_is_told(
    room: Room, browser: Browser
) -> None:
    """A form that comes too late says so, and leads back."""
    await room.shift()
    context = await browser.new_context(base_url=room.url, java_script_enabled=False)
    page = await context.new_page()
    await page.goto("/floor/bench")
    said = {"reason": "looked", "by": "somebody else"}
    assert 204 == (await room.api.post("/v1/stations/bench/release", json=said)).status_code
    await page.locator("#release > summary").click()
    await page.locator("#release").get_by_label("Why").fill("looked too")
    await page.locator("#release").get_by_label("Your name").fill("R. Example")
    await page.locator("#release").get_by_role("button").click()
    await expect(page.get_by_role("alert")).to_contain_text("isn't held")
    await page.get_by_role("link", name="Back").click()
    await expect(page).to_have_url(f"{room.url}/floor/bench")
    await context.close()
