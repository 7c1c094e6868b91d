"""Kill a real gateway again and again while orders are scanned, then count what came out.

    python tests/bench/kill_run.py --kills 100

`bagrelay serve` runs as a process of its own on a SQLite file and is killed with SIGKILL at random
moments: while it starts, while it commits, while a label is on its way. A station of every kind
stands outside and remembers, and so do the people: they scan orders, look at labels in doubt, read
finished bags rightly and wrongly. Afterwards it must hold, or the exit code is 1: nothing that was
answered 202 is lost; each label and each bag came out once (on a line that can't tell: once more at
most for each time that a person said it had not come out); every station worked in the order of its
scans; every bag that must be verified was, once; the ledger is whole and agrees with the devices.
"""

import argparse
import asyncio
import logging
import math
import os
import random
import shutil
import signal
import socket
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

import httpx  # noqa: E402

from tests.bench.kill_count import StationFound, count_station, read_ledger  # noqa: E402
from tests.bench.kill_people import LOOK_AFTER_S, People  # noqa: E402
from tests.bench.kill_stations import KINDS, FarEnd  # noqa: E402

PATIENCE_S = 120.0
START_S = 3.0
"""About what a start takes: a life that isn't waited for ends within it."""

HEAD = """
name = "kill run"
[gs1]
company_prefix = "9521234"
[access]
open_door = true
[store]
url = "sqlite:///{db}"
[[film]]
id = "white-60"
thickness_um = 60
[[bag]]
id = "small"
form = "pre_opened"
film = "white-60"
width_mm = 250
length_mm = 350
"""
STATION = """
[[station]]
id = "{name}"
verify = "{verify}"
bags_ahead = {bags_ahead}
max_lane = 1000
retry = {{ first_wait_s = 0.02, longest_wait_s = 0.2, breaker_open_s = 0.3 }}
loaded = [{{ bag = "small" }}]
lines = {lines}
"""


@dataclass(slots=True)
class Found:
    """What came of a run; `wrong` is empty when everything held."""

    kills: int = 0
    sent_again: int = 0
    entries: int = 0
    seconds: float = 0.0
    stations: list[StationFound] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


class Run:
    """The room outside of the gateway's process: stations, people, and the killer."""

    def __init__(self, folder: Path, seed: int, kinds: Sequence[str]) -> None:
        self.found = Found()
        self._folder = folder
        self._chance = random.Random(seed)
        self._far_ends: dict[str, FarEnd] = {kind: KINDS[kind]() for kind in kinds}
        self._people: dict[str, People] = {}
        self._port = _quiet_port()
        self._process: asyncio.subprocess.Process | None = None
        self._over = asyncio.Event()

    async def run(self, kills: int, minutes: float, pause_s: float) -> Found:
        """Run it all; after so many minutes no more kills."""
        started = time.monotonic()
        tasks: list[asyncio.Task[None]] = []
        try:
            await self._stand_up()
            scanners = [asyncio.create_task(one.scan_orders()) for one in self._people.values()]
            tasks = [*scanners, *self._helpers()]
            ends = started + minutes * 60
            while self.found.kills < kills and not self.found.wrong and time.monotonic() < ends:
                await self._live(self._chance.uniform(0.0, pause_s))
                await self._kill()
                _raise_what_ended(tasks)
            await self._start()
            await self._ready()
            self._over.set()
            await asyncio.gather(*scanners)
            await self._settle_down()
            _raise_what_ended(tasks[len(scanners) :])
            await self._stop()
            await self._count()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            if self._process is not None and self._process.returncode is None:
                await self._kill()
            for far_end in self._far_ends.values():
                await far_end.stop()
        self.found.seconds = time.monotonic() - started
        return self.found

    async def _stand_up(self) -> None:
        site = HEAD.format(db=self._folder / "kill.db")
        for name, far_end in self._far_ends.items():
            await far_end.start()
            self._people[name] = People(name, far_end, self._url, self._chance, self._over)
            site += STATION.format(
                name=name,
                verify="required" if far_end.traits.verify else "none",
                bags_ahead=far_end.traits.bags_ahead,
                lines=_toml(far_end.lines()),
            )
        (self._folder / "site.toml").write_text(site, encoding="utf-8")

    def _helpers(self) -> list["asyncio.Task[None]"]:
        work = []
        for name, people in self._people.items():
            work.append(people.look_at_doubts())
            if self._far_ends[name].traits.verify:
                work.append(people.verify_bags())
        return [asyncio.create_task(one) for one in work]

    # The gateway's process

    async def _start(self) -> None:
        log = (self._folder / "log").open("ab")
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "gateway", "serve", str(self._folder / "site.toml"),
            "--port", str(self._port),
            stdout=log, stderr=log, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        log.close()

    async def _live(self, seconds: float) -> None:
        """Start it; mostly wait until it works, sometimes not even that."""
        await self._start()
        if self._chance.random() < 0.15:
            await asyncio.sleep(self._chance.uniform(0.0, START_S))
            return
        await self._ready()
        await asyncio.sleep(seconds)

    async def _ready(self) -> None:
        ends = time.monotonic() + PATIENCE_S
        async with httpx.AsyncClient(trust_env=False) as client:
            while time.monotonic() < ends:
                assert self._process is not None
                if self._process.returncode is not None:
                    raise RuntimeError(f"the gateway ended: {self._last_words()}")
                try:
                    if (await client.get(f"{self._url()}/readyz")).is_success:
                        return
                except httpx.TransportError:
                    await asyncio.sleep(0.02)
        raise RuntimeError(f"the gateway did not start: {self._last_words()}")

    def _last_words(self) -> str:
        return (self._folder / "log").read_text(encoding="utf-8")[-2000:]

    def _url(self) -> str:
        return f"http://127.0.0.1:{self._port}"

    async def _kill(self) -> None:
        assert self._process is not None
        if self._process.returncode is not None:
            self.found.wrong.append(f"the gateway ended by itself: {self._last_words()}")
            return
        self._process.send_signal(signal.SIGKILL)
        await self._process.wait()
        self.found.kills += 1

    async def _stop(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGTERM)
        if code := await self._process.wait():
            self.found.wrong.append(f"a clean stop ended with {code}")

    # Afterwards

    async def _settle_down(self) -> None:
        """Wait until every lane and row is empty, no job is open, and the people have finished."""
        ends = time.monotonic() + PATIENCE_S
        async with httpx.AsyncClient(trust_env=False, timeout=5) as client:
            while time.monotonic() < ends:
                views = (await client.get(f"{self._url()}/v1/stations")).json()
                busy = [view for view in views if self._is_busy(view)]
                if not busy:
                    await asyncio.sleep(LOOK_AFTER_S)
                    return
                await asyncio.sleep(0.1)
        for view in busy:
            self.found.wrong.append(
                f"{view['station']}: not empty after {PATIENCE_S:g} s; {view['lane_length']} wait, "
                f"row {view['row']}, {view['waits_for'] or view['held']}"
            )

    def _is_busy(self, view: dict[str, Any]) -> bool:
        verify, told = (
            self._far_ends[view["station"]].traits.verify,
            self._people[view["station"]].told,
        )
        to_scan = verify and (view["row"] or told.matches < len(told.accepted))
        return bool(view["lane_length"] or view["sending"] or view["in_doubt"] or to_scan)

    async def _count(self) -> None:
        found = self.found
        db = self._folder / "kill.db"
        ledger, found.entries = read_ledger(db, list(self._far_ends), found.wrong)
        for name, far_end in self._far_ends.items():
            told = self._people[name].told
            found.sent_again += told.sent_again
            found.stations.append(await count_station(name, far_end, told, ledger, found.wrong))


def _raise_what_ended(tasks: Sequence["asyncio.Task[None]"]) -> None:
    """Nobody of the people may go home early."""
    for task in tasks:
        if task.done():
            task.result()
            raise RuntimeError(f"{task} ended")


def _quiet_port() -> int:
    """A free port that no program is given by chance while the gateway is dead (Linux: < 32768).

    Drawn apart from the run's seed: two runs of one seed must not send to one another's gateway.
    """
    chance = random.SystemRandom()
    while True:
        port = chance.randint(20_000, 32_000)
        with suppress(OSError), socket.create_server(("127.0.0.1", port)):
            return port


def _toml(value: object) -> str:
    if isinstance(value, dict):
        inner = ", ".join(f"{key} = {_toml(one)}" for key, one in value.items())
        return "{ " + inner + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return str(value) if isinstance(value, int | float) else '"' + str(value) + '"'


def kinds_here() -> list[str]:
    """Every kind whose far end can be stood up on this machine."""
    broker = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    return [kind for kind in KINDS if broker or kind != "mqtt"]


async def kill_run(
    folder: Path,
    *,
    kills: int,
    pause_s: float,
    seed: int,
    minutes: float = math.inf,
    kinds: Sequence[str] | None = None,
) -> Found:
    """Run it in a folder of its own."""
    return await Run(folder, seed, kinds or kinds_here()).run(kills, minutes, pause_s)


def _print(found: Found) -> None:
    print(
        f"{found.kills} kills, {found.seconds:.0f} s, {found.entries} ledger entries, "
        f"{found.sent_again} requests sent again"
    )
    row = "{:20}{:>9}{:>9}{:>6}{:>9}{:>9}{:>6}{:>9}{:>9}{:>9}{:>7}".format
    print(
        row(
            "station", "accepted", "came out", "twice", "settled:", "station", "scan", "person",
            "repeats", "verified", "wrong",
        )
    )  # fmt: skip
    for one in found.stations:
        by = one.doubts
        print(
            row(
                one.name, one.accepted, one.came_out, one.twice, "", by["station"], by["scan"],
                by["person"], one.repeats, one.verified, one.wrong_scans,
            )
        )  # fmt: skip
    print(
        row(
            "all",
            *(
                sum(getattr(one, what) for one in found.stations)
                for what in ("accepted", "came_out", "twice")
            ),
            "",
            *(
                sum(one.doubts[by] for one in found.stations)
                for by in ("station", "scan", "person")
            ),
            *(
                sum(getattr(one, what) for one in found.stations)
                for what in ("repeats", "verified", "wrong_scans")
            ),
        )
    )
    for what in found.wrong:
        print(f"wrong: {what}")


def main() -> int:
    """Run, print the figures; 1 when something did not hold."""
    options = argparse.ArgumentParser(description="Kill a working gateway and count the labels.")
    options.add_argument("--kills", type=int, default=100)
    options.add_argument("--minutes", type=float, default=math.inf, help="no kill after these")
    options.add_argument("--pause-s", type=float, default=2.5, help="longest life once it is ready")
    options.add_argument("--seed", type=int, default=random.SystemRandom().randrange(10**6))
    options.add_argument("--kinds", nargs="+", choices=sorted(KINDS), help="a station for each")
    options.add_argument("--keep", type=Path, help="a folder for store and log, kept afterwards")
    given = options.parse_args()
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)
    print(f"seed {given.seed}", flush=True)
    with tempfile.TemporaryDirectory(prefix="bagrelay-kill-") as folder:
        place = given.keep or Path(folder)
        place.mkdir(parents=True, exist_ok=True)
        found = asyncio.run(
            kill_run(
                place,
                kills=given.kills,
                minutes=given.minutes,
                pause_s=given.pause_s,
                seed=given.seed,
                kinds=given.kinds,
            )
        )
    _print(found)
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
