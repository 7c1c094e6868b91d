"""Kill a real gateway again and again while orders are scanned, then count what came out.

    python tests/bench/kill_run.py --kills 100

`bagrelay serve` runs as a process of its own on a SQLite file and is killed with SIGKILL at random
moments: while it starts, while it commits, while a label is on its way. The simulated stations and
the people who scan stand outside and remember. Afterwards it must hold, or the exit code is 1:
nothing that was answered 202 is lost; each label came out once (on a line that proves nothing: once
more at most for each doubt that was declared); every station printed in the order of its scans; the
ledger is whole and agrees with what the machines counted.
"""

import argparse
import asyncio
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

import httpx  # noqa: E402

from adapters.simulator import SimulatedStation  # noqa: E402
from gateway.ledger import chain, entries  # noqa: E402
from gateway.store import sqlite  # noqa: E402
from schemas.ledger import EntryKind, LedgerEntry  # noqa: E402

KINDS = ("simulated", "simulated", "tcp", "tcp", "tcp-counted")
PATIENCE_S = 90.0
LOOK_AFTER_S = 0.4
"""A person who is asked about a label waits this long for what is still on its way."""

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
verify = "none"
max_lane = 1000
retry = {{ first_wait_s = 0.02, longest_wait_s = 0.2, breaker_open_s = 0.3 }}
[[station.lines]]
kind = "{kind}"
options = {{ host = "{host}", port = {port} }}
[[station.loaded]]
bag = "small"
"""


@dataclass(slots=True)
class Found:
    """What came of a run; `wrong` is empty when everything held."""

    kills: int = 0
    accepted: int = 0
    sent_again: int = 0
    printed: int = 0
    doubts: int = 0
    doubts_not_printed: int = 0
    repeats_dropped: int = 0
    entries: int = 0
    seconds: float = 0.0
    wrong: list[str] = field(default_factory=list)


class Run:
    """The room outside of the gateway's process: stations, scanning people, and the killer."""

    def __init__(self, folder: Path, seed: int, kinds: Sequence[str]) -> None:
        self._kinds = kinds
        self.found = Found()
        self._folder = folder
        self._chance = random.Random(seed)
        self._machines: dict[str, tuple[str, SimulatedStation]] = {}
        self._accepted: dict[str, list[str]] = {}
        self._port = 0
        self._process: asyncio.subprocess.Process | None = None
        self._over = asyncio.Event()

    async def run(self, kills: int, pause_s: float) -> Found:
        """Run it all."""
        started = time.monotonic()
        await self._stand_up()
        scanners = [asyncio.create_task(self._scan(name)) for name in self._machines]
        people = [
            asyncio.create_task(self._look_at_doubts(name))
            for name, (kind, _) in self._machines.items()
            if kind != "simulated"
        ]
        try:
            for _ in range(kills):
                await self._live(self._chance.uniform(0.0, pause_s))
                await self._kill()
            await self._start()
            await self._ready()
            self._over.set()
            await asyncio.gather(*scanners)
            await self._settle_down()
            await self._stop()
        finally:
            for task in (*scanners, *people):
                task.cancel()
            await asyncio.gather(*scanners, *people, return_exceptions=True)
            if self._process is not None and self._process.returncode is None:
                await self._kill()
            for _, machine in self._machines.values():
                await machine.stop()
        self._count()
        self.found.seconds = time.monotonic() - started
        return self.found

    # The gateway's process

    async def _stand_up(self) -> None:
        site = HEAD.format(db=self._folder / "kill.db")
        for number, kind in enumerate(self._kinds):
            name = f"s{number}"
            machine = SimulatedStation(name, print_s=0.004)
            await machine.start()
            self._machines[name] = kind, machine
            self._accepted[name] = []
            face = machine.station_address if kind == "simulated" else machine.printer_address
            site += STATION.format(name=name, kind=kind, host=face[0], port=face[1])
        (self._folder / "site.toml").write_text(site, encoding="utf-8")

    async def _start(self) -> None:
        import socket

        with socket.create_server(("127.0.0.1", 0)) as probe:
            self._port = probe.getsockname()[1]
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
        if self._chance.random() > 0.1:
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
                    if (await client.get(f"{self._url}/readyz")).is_success:
                        return
                except httpx.TransportError:
                    await asyncio.sleep(0.02)
        raise RuntimeError(f"the gateway did not start: {self._last_words()}")

    def _last_words(self) -> str:
        return (self._folder / "log").read_text(encoding="utf-8")[-2000:]

    @property
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

    # People

    async def _scan(self, name: str) -> None:
        """One order after the other; each until it is answered 202."""
        number = 0
        async with httpx.AsyncClient(trust_env=False, timeout=5) as client:
            while not self._over.is_set():
                number += 1
                order_id = f"{name}-{number}"
                event = _event(name, order_id)
                while not await self._posted(client, event):
                    self.found.sent_again += 1
                    await asyncio.sleep(0.03)
                self._accepted[name].append(order_id)
                self.found.accepted += 1
                await asyncio.sleep(self._chance.uniform(0, 0.03))

    async def _posted(self, client: httpx.AsyncClient, event: dict[str, Any]) -> bool:
        try:
            answer = await client.post(
                f"{self._url}/v1/events",
                json=event,
                headers={"content-type": "application/cloudevents+json"},
            )
        except httpx.TransportError:
            return False
        if answer.status_code not in (202, 503):
            self.found.wrong.append(f"{event['id']}: {answer.status_code} {answer.text}")
        return answer.status_code == 202

    async def _look_at_doubts(self, name: str) -> None:
        """Go to the printer, look whether the label is there, and say so."""
        machine = self._machines[name][1]
        async with httpx.AsyncClient(trust_env=False, timeout=5) as client:
            while True:
                await asyncio.sleep(0.05)
                try:
                    view = (await client.get(f"{self._url}/v1/stations/{name}")).json()
                    if not view["in_doubt"]:
                        continue
                    job_id = view["in_doubt"]
                    job = (await client.get(f"{self._url}/v1/jobs/{job_id}")).json()
                    await asyncio.sleep(LOOK_AFTER_S)
                    seen = any(job["expected_scans"][0] in bag for bag in machine.printed_codes)
                    answer = "printed" if seen else "not_printed"
                    await client.post(
                        f"{self._url}/v1/jobs/{job_id}/settle",
                        json={"answer": answer, "reason": "looked at it", "by": "Tester"},
                    )
                except (httpx.TransportError, KeyError, ValueError):
                    continue

    async def _settle_down(self) -> None:
        """Wait until every lane is empty and no job is open."""
        ends = time.monotonic() + PATIENCE_S
        async with httpx.AsyncClient(trust_env=False, timeout=5) as client:
            while time.monotonic() < ends:
                views = (await client.get(f"{self._url}/v1/stations")).json()
                if not any(v["lane_length"] or v["sending"] or v["in_doubt"] for v in views):
                    await asyncio.sleep(LOOK_AFTER_S)
                    return
                await asyncio.sleep(0.05)
        for view in views:
            if view["lane_length"] or view["sending"] or view["in_doubt"]:
                self.found.wrong.append(
                    f"{view['station']}: not empty after {PATIENCE_S:g} s; "
                    f"{view['lane_length']} wait, {view['waits_for'] or view['held']}"
                )

    # Afterwards

    def _count(self) -> None:
        engine = sqlite.reading_engine(f"sqlite:///{self._folder / 'kill.db'}")
        with engine.connect() as conn:
            report = chain.verify(entries.stored_rows(conn))
            told = entries.page(conn, after=0, limit=10_000_000)
        engine.dispose()
        if not report.ok:
            self.found.wrong.append(f"the ledger is not whole: {report.text}")
        self.found.entries = len(told)
        doubts = _Ledger(told)
        self.found.doubts = sum(doubts.denied.values()) + doubts.affirmed
        self.found.doubts_not_printed = sum(doubts.denied.values())
        self.found.repeats_dropped = doubts.repeats
        for name in self._machines:
            self._count_station(name, doubts)

    def _count_station(self, name: str, ledger: "_Ledger") -> None:
        kind, machine = self._machines[name]
        wrong = self.found.wrong
        came_out = [codes[0] for codes in machine.printed_codes]
        self.found.printed += len(came_out)
        wanted = [ledger.code_of.get(order_id, "none") for order_id in self._accepted[name]]
        times = Counter(came_out)
        for order_id, code in zip(self._accepted[name], wanted, strict=True):
            may = 1 if kind == "simulated" else 1 + ledger.denied[order_id]
            if not times[code]:
                wrong.append(f"{kind} {order_id}: accepted, and no label came out")
            elif times[code] > may:
                wrong.append(f"{kind} {order_id}: printed {times[code]} times, {may} may be")
        if list(dict.fromkeys(came_out)) != wanted:
            wrong.append(f"{kind} {name}: not printed in the order of the scans")
        if ledger.out[name] != len(set(came_out)):
            wrong.append(
                f"{kind} {name}: {ledger.out[name]} labels by the ledger, {len(came_out)} came out"
            )


class _Ledger:
    """What the ledger says of orders, labels and doubts."""

    def __init__(self, told: list[LedgerEntry]) -> None:
        self.code_of: dict[str, str] = {}
        self.denied: Counter[str] = Counter()
        self.affirmed = 0
        self.repeats = 0
        out: dict[str, tuple[str, bool]] = {}
        for entry in told:
            match entry.kind:
                case EntryKind.JOB_CREATED:
                    codes = entry.data["expected_scans"]
                    assert isinstance(codes, list)
                    self.code_of[str(entry.order_id)] = str(codes[0])
                case EntryKind.DOUBT_SETTLED if entry.data["printed"]:
                    self.affirmed += 1
                case EntryKind.DOUBT_SETTLED:
                    self.denied[str(entry.order_id)] += 1
                case EntryKind.JOB_MOVED:
                    is_out = entry.data["to"] in ("sent", "printed", "closed", "verified")
                    out[str(entry.job_id)] = str(entry.station), is_out
                    self.repeats += entry.data.get("repeated") is True
                case _:
                    pass
        self.out = Counter(station for station, is_out in out.values() if is_out)


def _event(station: str, order_id: str) -> dict[str, Any]:
    size = {"length": 200, "width": 150, "height": 20}
    order = {
        "order_id": order_id,
        "ship_to": {
            "name": "Ilse Beispiel",
            "lines": ["Beispielweg 12"],
            "city": "Beispielstadt",
            "country": "DE",
        },
        "lines": [{"line_id": "1", "item": {"sku": "box", "size": size, "mass_g": 300}}],
    }
    return {
        "specversion": "1.0",
        "id": order_id,
        "source": "/kill-run",
        "type": "bagrelay.order.scanned.v1",
        "data": {"station": station, "code": order_id, "order": order},
    }


async def kill_run(
    folder: Path, *, kills: int, pause_s: float, seed: int, kinds: Sequence[str] = KINDS
) -> Found:
    """Run it in a folder of its own."""
    return await Run(folder, seed, kinds).run(kills, pause_s)


def main() -> int:
    """Run, print the figures; 1 when something did not hold."""
    options = argparse.ArgumentParser(description="Kill a working gateway and count the labels.")
    options.add_argument("--kills", type=int, default=100)
    options.add_argument("--pause-s", type=float, default=1.0, help="longest life once it is ready")
    options.add_argument("--seed", type=int, default=random.SystemRandom().randrange(10**6))
    options.add_argument("--kinds", nargs="+", default=KINDS, help="a station for each")
    given = options.parse_args()
    with tempfile.TemporaryDirectory(prefix="bagrelay-kill-") as folder:
        found = asyncio.run(
            kill_run(
                Path(folder),
                kills=given.kills,
                pause_s=given.pause_s,
                seed=given.seed,
                kinds=given.kinds,
            )
        )
    print(f"seed {given.seed}, {found.seconds:.0f} s, stations: {', '.join(given.kinds)}")
    for name in (
        "kills", "accepted", "sent_again", "printed", "doubts", "doubts_not_printed",
        "repeats_dropped", "entries",
    ):  # fmt: skip
        print(f"{name.replace('_', ' '):>20}  {getattr(found, name)}")
    for what in found.wrong:
        print(f"wrong: {what}")
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
