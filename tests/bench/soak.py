"""A full room for a while: does the gateway keep up, and does its memory stay flat?

    python tests/bench/soak.py [--minutes 10] [--stations 500] [--every-s 4]

`bagrelay serve` runs as a process of its own, as it is installed: durable SQLite, ledger, logs.
This process is the room: simulated stations on real sockets, and people who scan an order at each
station every few seconds. Each minute it prints labels a second, labels that wait, how late the
latest scan was, the time from a scan's request to its label's coming out, and the gateway's
resident memory. The exit code is 1 when a label is missing or came out twice.
"""

import argparse
import asyncio
import json
import os
import platform
import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

import psutil  # noqa: E402

from adapters.simulator import SimulatedStation  # noqa: E402
from tests.rigs.servers import free_port  # noqa: E402

START_WITHIN_S = 60.0
EMPTY_WITHIN_S = 60.0
LINES = 100
"""Connections of the warehouse system at most; the gateway takes 250 from one address."""

HEAD = """
name = "soak"
gs1.company_prefix = "9521234"
access.open_door = true
store.url = "sqlite:///{db}"
[[film]]
id = "white-60"
thickness_um = 60
[[bag]]
id = "b300"
form = "pre_opened"
film = "white-60"
width_mm = 300
length_mm = 420
"""
STATION = """
[[station]]
id = "{name}"
verify = "none"
lines = [{{ kind = "simulated", options = {{ host = "{host}", port = {port} }} }}]
loaded = [{{ bag = "b300" }}]
"""


class NotedStation(SimulatedStation):
    """A simulated station that notes how long after its scan each label came out."""

    def __init__(self, name: str, took: Callable[[float], None]) -> None:
        super().__init__(name)
        self.scanned: deque[float] = deque()
        """When the orders were scanned whose labels are not out: labels keep their order."""
        self.too_many = 0
        self._took = took

    def bag_came_out(self) -> None:
        """Note how long it took."""
        if self.scanned:
            self._took(time.perf_counter() - self.scanned.popleft())
        else:
            self.too_many += 1


@dataclass(slots=True)
class Figures:
    """What was counted since the last line, and in all."""

    took: list[float] = field(default_factory=list)
    late: list[float] = field(default_factory=list)
    """How far each scan was behind its time: it waits for the answer to the one before."""
    scanned: int = 0
    accepted: int = 0
    came_out: int = 0
    refused: int = 0

    def out(self, seconds: float) -> None:
        """A label came out."""
        self.took.append(seconds)
        self.came_out += 1


class Poster:
    """Posts events over kept connections, with as little work as may be."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._lines: list[tuple[asyncio.StreamReader, asyncio.StreamWriter]] = []
        self._at_once = asyncio.Semaphore(LINES)

    async def post(self, body: bytes) -> bool:
        """Whether the event was answered 202. A kept line that was closed meanwhile is no matter:
        the same event again is the same event.
        """
        while True:
            kept = bool(self._lines)
            try:
                async with self._at_once:
                    return await self._posted(body)
            except (ConnectionError, asyncio.IncompleteReadError):
                if not kept:
                    raise

    async def _posted(self, body: bytes) -> bool:
        reader, writer = (
            self._lines.pop()
            if self._lines
            else await asyncio.open_connection("127.0.0.1", self._port)
        )
        head = (
            "POST /v1/events HTTP/1.1\r\nhost: 127.0.0.1\r\n"
            f"content-type: application/cloudevents+json\r\ncontent-length: {len(body)}\r\n\r\n"
        )
        writer.write(head.encode() + body)
        answer = await reader.readuntil(b"\r\n\r\n")
        length = int(answer.lower().partition(b"content-length:")[2].partition(b"\r\n")[0])
        await reader.readexactly(length)
        self._lines.append((reader, writer))
        return answer.split(b" ", 2)[1] == b"202"


class Room:
    """Stations and the people who scan at them."""

    def __init__(self, count: int, every_s: float) -> None:
        self.figures = Figures()
        self.stations = [NotedStation(f"s{at}", self.figures.out) for at in range(count)]
        self._every_s = every_s

    async def start(self, folder: Path) -> Path:
        """Stand every station up; the site file."""
        site = HEAD.format(db=folder / "soak.db")
        for station in self.stations:
            await station.start()
            host, port = station.station_address
            site += STATION.format(name=station.name, host=host, port=port)
        file = folder / "site.toml"
        file.write_text(site, encoding="utf-8")
        return file

    async def scan(self, poster: Poster, until: float) -> None:
        """Everybody scans, one after the other, until it is time to go home."""
        start, gap = time.perf_counter(), self._every_s / len(self.stations)
        await asyncio.gather(
            *(
                self._scan_at(poster, station, start + at * gap, until)
                for at, station in enumerate(self.stations)
            )
        )

    async def _scan_at(
        self, poster: Poster, station: NotedStation, due: float, until: float
    ) -> None:
        """A scan every so many seconds, but none before the last one was answered."""
        figures = self.figures
        while due < until:
            await asyncio.sleep(due - time.perf_counter())
            figures.late.append(time.perf_counter() - due)
            event = _event(station.name, figures.scanned)
            figures.scanned += 1
            station.scanned.append(time.perf_counter())
            while not await poster.post(event):
                figures.refused += 1
                await asyncio.sleep(0.5)
            figures.accepted += 1
            due += self._every_s

    async def run_dry(self) -> None:
        """Wait until everything that was accepted has come out."""
        ends = time.monotonic() + EMPTY_WITHIN_S
        while time.monotonic() < ends and any(station.scanned for station in self.stations):
            await asyncio.sleep(0.1)
        await asyncio.sleep(0.5)

    def wrong(self) -> list[str]:
        """What is missing or too many."""
        missing = sum(len(station.scanned) for station in self.stations)
        too_many = sum(station.too_many for station in self.stations)
        out = sum(station.printed_count for station in self.stations)
        codes = len({codes[0] for s in self.stations for codes in s.printed_codes})
        return [
            *([f"{missing} labels are missing"] if missing else []),
            *([f"{too_many} labels too many"] if too_many else []),
            *([f"{out} labels with {codes} codes"] if out != codes else []),
        ]


class Watch:
    """Prints a line each minute."""

    def __init__(self, room: Room, gateway: psutil.Process) -> None:
        self._room, self._gateway = room, gateway
        self._minute = 0
        self._at, self._cpu = time.perf_counter(), self._seconds_of_cpu()
        self._out = 0
        self.resident_mib: list[float] = []
        print(
            "minute  labels/s  waiting  late ms  median ms  p99 ms  max ms  gateway MiB  "
            "gateway CPU  room CPU  store MiB",
            flush=True,
        )

    def line(self, store: Path) -> None:
        """What the last minute brought."""
        figures, now = self._room.figures, time.perf_counter()
        took, figures.took = sorted(figures.took), []
        late, figures.late = figures.late, []
        passed, cpu = now - self._at, self._seconds_of_cpu()
        used = [(is_ - was) / passed for is_, was in zip(cpu, self._cpu, strict=True)]
        self._minute += 1
        self.resident_mib.append(self._gateway.memory_info().rss / 2**20)
        cuts = statistics.quantiles(took, n=100) if len(took) > 1 else [0.0] * 99
        print(
            f"{self._minute:6} {(figures.came_out - self._out) / passed:9.1f} "
            f"{figures.scanned - figures.came_out:8} {max(late, default=0.0) * 1e3:8.0f} "
            f"{cuts[49] * 1e3:10.1f} "
            f"{cuts[98] * 1e3:7.1f} {max(took, default=0.0) * 1e3:7.0f} "
            f"{self.resident_mib[-1]:12.1f} {used[0]:12.0%} {used[1]:9.0%} "
            f"{store.stat().st_size / 2**20:10.0f}",
            flush=True,
        )
        self._at, self._cpu, self._out = now, cpu, figures.came_out

    def _seconds_of_cpu(self) -> tuple[float, float]:
        theirs, ours = self._gateway.cpu_times(), psutil.Process().cpu_times()
        return theirs.user + theirs.system, ours.user + ours.system


async def _soak(given: argparse.Namespace) -> int:
    folder = given.keep or Path(tempfile.mkdtemp(prefix="bagrelay-soak-"))
    folder.mkdir(parents=True, exist_ok=True)
    room, port = Room(given.stations, given.every_s), free_port()
    site = await room.start(folder)
    gateway = _gateway(site, port, folder / "log")
    try:
        await _ready(gateway, port)
        print(
            f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}; "
            f"{given.stations} stations, a label each {given.every_s:g} s: "
            f"{given.stations / given.every_s:g} labels/s wanted"
        )
        watch = Watch(room, psutil.Process(gateway.pid))
        until = time.perf_counter() + given.minutes * 60
        scanning = asyncio.create_task(room.scan(Poster(port), until))
        while not scanning.done():
            await asyncio.wait({scanning}, timeout=min(60.0, given.minutes * 60))
            watch.line(folder / "soak.db")
        await scanning
        await room.run_dry()
    finally:
        gateway.send_signal(signal.SIGTERM)
        code = gateway.wait(60)
        for station in room.stations:
            await station.stop()
        if given.keep is None:
            shutil.rmtree(folder, ignore_errors=True)
    wrong = [*room.wrong(), *([f"the gateway ended with {code}"] if code else [])]
    _sum_up(room, watch)
    for what in wrong:
        print(f"wrong: {what}")
    return 1 if wrong else 0


def _sum_up(room: Room, watch: Watch) -> None:
    figures, grown = room.figures, watch.resident_mib
    print(
        f"scanned {figures.scanned}, accepted {figures.accepted} "
        f"({figures.refused} tries answered 503), came out {figures.came_out}"
    )
    if len(grown) > 2:
        each = (grown[-1] - grown[1]) / (len(grown) - 2)
        print(f"memory from minute 2 on: {each:+.2f} MiB a minute")


def _gateway(site: Path, port: int, log: Path) -> "subprocess.Popen[bytes]":
    with log.open("ab") as out:
        return subprocess.Popen(
            [sys.executable, "-m", "gateway", "serve", str(site), "--port", str(port)],
            stdout=out,
            stderr=out,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )


async def _ready(gateway: "subprocess.Popen[bytes]", port: int) -> None:
    ends = time.monotonic() + START_WITHIN_S
    while time.monotonic() < ends and gateway.poll() is None:
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            await asyncio.sleep(0.1)
            continue
        writer.close()
        return
    raise SystemExit("the gateway did not start")


def _event(station: str, number: int) -> bytes:
    chance = random.Random(number)
    size = {
        "length": chance.randint(120, 230),
        "width": chance.randint(90, 160),
        "height": chance.randint(10, 45),
    }
    order = {
        "order_id": f"O-{number}",
        "ship_to": {
            "name": "Ilse Beispiel",
            "lines": [f"Beispielweg {number % 200}"],
            "postcode": "100 00",
            "city": "Beispielstadt",
            "country": "DE",
        },
        "routing": "DE-15",
        "lines": [
            {
                "line_id": "1",
                "item": {"sku": f"A{number}", "size": size, "mass_g": 300},
                "quantity": 1 + number % 2,
            }
        ],
    }
    return json.dumps(
        {
            "specversion": "1.0",
            "id": str(number),
            "source": "/soak",
            "type": "bagrelay.order.scanned.v1",
            "data": {"station": station, "code": f"O-{number}", "order": order},
        }
    ).encode()


def main() -> int:
    """Run it."""
    options = argparse.ArgumentParser(description="Keep a full room going, and watch the memory.")
    options.add_argument("--minutes", type=float, default=10.0)
    options.add_argument("--stations", type=int, default=500)
    options.add_argument("--every-s", type=float, default=4.0, help="seconds between two scans")
    options.add_argument("--keep", type=Path, help="a folder for store and log, kept afterwards")
    return asyncio.run(_soak(options.parse_args()))


if __name__ == "__main__":
    sys.exit(main())
