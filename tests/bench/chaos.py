"""Several gateways on one PostgreSQL and a broker, and everything that can fail does, at random.

    python tests/bench/chaos.py --minutes 10 --stations 200 --gateways 3

Gateways are killed (SIGKILL), paused for longer than a lease (SIGSTOP) and started again; the
database and the broker are killed or restarted; the lines to them and to the stations are reset,
refused and frozen. Stations, scanning people and a broker's sender stand outside and remember.
Afterwards it must hold, or the exit code is 1: nothing accepted is lost; each label came out once
(on a line that proves nothing: once more at most for each doubt that was declared); each station
printed in the order of its scans; `bagrelay ledger verify` finds the ledger whole, and it agrees
with what the machines counted; every move was told at the broker, and none was made up.

Lines to raw printers are not cut: bytes that the printer's own network chip had acknowledged are
lost there without a trace, and nothing but a verifying scan can tell. The gateways' kills and
pauses befall them like the others.
"""

import argparse
import asyncio
import contextlib
import random
import signal
import statistics
import subprocess
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

from tests.bench.chaos_people import People, until_true  # noqa: E402
from tests.bench.chaos_troubles import Scene, Troubles  # noqa: E402
from tests.bench.promises import Told, wrong_at  # noqa: E402
from tests.rigs.broker_ends import publisher, sent  # noqa: E402
from tests.rigs.cut_lines import CutLines  # noqa: E402
from tests.rigs.gateway_process import GatewayProcess, lasting_port  # noqa: E402
from tests.rigs.room import Room  # noqa: E402
from tests.rigs.servers import Nats, Postgres, RabbitMq  # noqa: E402
from tests.rigs.shared_site import face_of, write_site  # noqa: E402

KINDS = ("simulated", "tcp-counted", "simulated", "tcp")
"""Of each four stations."""
BY_BROKER = 5
"""Each fifth station's scans come by the broker."""
STATIONS_A_ROOM = 50
PATIENCE_S = 180.0


@dataclass(slots=True)
class Figures:
    """What came of a run; `wrong` is empty when everything held."""

    numbers: dict[str, object] = field(default_factory=dict)
    troubles: Counter[str] = field(default_factory=Counter)
    accepted: int = 0
    printed: int = 0
    wrong: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Plan:
    """How big and how long."""

    seconds: float
    stations: int
    gateways: int
    broker: str = "nats"
    every_s: float = 20.0
    seed: int = 1
    pause_s: float = 15.0
    """The longest pause between one trouble and the next."""


async def chaos(folder: Path, plan: Plan) -> Figures:
    """Run it in a folder of its own. Raises `NotInstalled` where a server is missing."""
    names = [f"s{number}" for number in range(plan.stations)]
    async with contextlib.AsyncExitStack() as stack:
        database = Postgres(folder)
        database.port = lasting_port()
        stack.callback(database.close)
        await asyncio.to_thread(database.start)
        (place := folder / "broker").mkdir()
        broker = Nats(place) if plan.broker == "nats" else RabbitMq(place)
        broker.port = lasting_port()
        stack.callback(broker.close)
        await asyncio.to_thread(broker.start)
        lines = await stack.enter_async_context(CutLines())
        rooms = [
            await stack.enter_async_context(Room(folder / f"room{at}", names[at::count]))
            for count in [-(-plan.stations // STATIONS_A_ROOM)]
            for at in range(count)
        ]
        run = _Run(folder, plan, names, Scene(database, broker, lines), rooms)
        stack.push_async_callback(run.put_out)
        return await run.all()


class _Run:
    """One run, with everything started but the gateways."""

    def __init__(
        self, folder: Path, plan: Plan, names: Sequence[str], scene: Scene, rooms: Sequence[Room]
    ) -> None:
        self._folder, self._plan, self._names = folder, plan, names
        self._scene, self._rooms = scene, rooms
        self._kinds = {name: KINDS[at % len(KINDS)] for at, name in enumerate(names)}
        self._database = scene.database.new_database()
        self._figures = Figures()
        self._sites = [folder / f"g{number}.toml" for number in range(plan.gateways)]
        self._gateways = [GatewayProcess(site.stem, site) for site in self._sites]
        chance = random.Random(plan.seed)
        self._publisher = publisher(scene.broker.url, "bagrelay.in")
        self._people = People(
            names, frozenset(names[::BY_BROKER]), self._gateways, rooms, self._publisher,
            chance, plan.every_s,
        )  # fmt: skip
        cuttable = [name for name in names if self._kinds[name] != "tcp"]
        self._troubles = Troubles(
            scene, self._gateways, cuttable, self._people, random.Random(plan.seed + 1)
        )

    async def all(self) -> Figures:
        """Begin, let it fail for a while, let it come to rest, count."""
        began = time.monotonic()
        await self._write_sites()
        for gateway in self._gateways:
            await gateway.start()
        for gateway in self._gateways:
            if not await gateway.ready():
                raise RuntimeError(f"{gateway.name} did not start: {gateway.last_words}")
        await self._the_day_before()
        self._people.begin()
        await self._troubles.make(self._plan.seconds, self._plan.pause_s)
        busy_s = time.monotonic() - began
        await self._people.finish()
        await self._come_to_rest()
        self._figures.numbers["seconds_to_rest"] = round(time.monotonic() - began - busy_s, 1)
        await self._people.go_home()
        for gateway in self._gateways:
            if code := await gateway.stop():
                self._figures.wrong.append(f"{gateway.name}: a clean stop ended with {code}")
        for room in self._rooms:
            await room.close()
        await self._count()
        return self._figures

    async def put_out(self) -> None:
        """Leave nothing running."""
        await self._people.go_home()
        await self._publisher.close()
        for gateway in self._gateways:
            await gateway.kill()

    async def _write_sites(self) -> None:
        lines, scene = self._scene.lines, self._scene
        stations: dict[str, tuple[str, int]] = {}
        for room in self._rooms:
            for name, faces in room.places.items():
                kind = self._kinds[name]
                _, port = faces[face_of(kind)]
                if kind != "tcp":
                    port = await lines.open(name, "127.0.0.1", port)
                stations[name] = kind, port
        scheme = "nats" if self._plan.broker == "nats" else "amqp"
        for site in self._sites:
            at = await lines.open(f"{site.stem} database", "127.0.0.1", scene.database.port)
            queue = await lines.open(f"{site.stem} broker", "127.0.0.1", scene.broker.port)
            store = f"postgresql://postgres@127.0.0.1:{at}/{self._database}"
            write_site(site, store, stations, f"{scheme}://127.0.0.1:{queue}")

    async def _the_day_before(self) -> None:
        """Something through the queue, and a stop in order: what was made moments before a power
        cut may not come back, which is the broker's matter."""
        while not await self._publisher.put(b'{"type": "nonsense"}'):
            await asyncio.sleep(0.5)
        if self._plan.broker != "nats":
            await asyncio.to_thread(self._scene.broker.stop)
            await asyncio.to_thread(self._scene.broker.start)

    async def _come_to_rest(self) -> None:
        """Wait until no lane, queue and outbox holds anything."""

        async def rests() -> bool:
            views = await self._people.ask("/v1/stations")
            queues = await self._people.ask("/v1/queues")
            wanted = sum(len(orders) for orders in self._people.accepted.values())
            self._left = [
                f"{view['station']}: {view['lane_length']} wait; "
                f"{view['waits_for'] or view['held']}"
                for view in views
                if view["lane_length"] or view["sending"] or view["in_doubt"]
            ]
            self._left += [
                f"{target['way']}: {target['waiting']} wait, {target['text']}"
                for target in queues["targets"]
                if target["waiting"]
            ]
            printed = sum(len(set(codes)) for room in self._rooms for codes in _seen(room))
            if printed < wanted:
                self._left.append(f"{wanted - printed} labels have not come out")
            return not self._left

        if not await until_true(rests, PATIENCE_S):
            self._figures.wrong.append(f"not at rest after {PATIENCE_S:g} s: {self._left[:5]}")

    # Afterwards

    async def _count(self) -> None:
        figures = self._figures
        verified = await asyncio.to_thread(
            subprocess.run,
            [sys.executable, "-m", "gateway", "ledger", "verify", "--site", str(self._sites[0])],
            cwd=ROOT, capture_output=True, text=True, check=False,
        )  # fmt: skip
        if verified.returncode:
            figures.wrong.append(f"ledger verify: {verified.stdout} {verified.stderr}")
        told = Told(self._scene.ledger(self._database))
        figures.wrong += self._people.wrong + self._troubles.wrong
        for room in self._rooms:
            for name, came_out in room.printed.items():
                accepted = self._people.accepted[name]
                figures.wrong += wrong_at(self._kinds[name], name, accepted, came_out, told)
                figures.accepted += len(accepted)
                figures.printed += len(came_out)
        figures.troubles = self._troubles.done
        figures.numbers |= self._troubles.figures(told)
        await self._count_told(told)
        answered = sorted(self._people.answered_in_s)
        figures.numbers |= {
            "accepted": figures.accepted,
            "printed": figures.printed,
            "sent again until accepted": self._people.sent_again,
            "accepted within, median and longest (s)": (
                f"{statistics.median(answered):.3f}, {answered[-1]:.1f}"
            ),
            "doubts, label was there": told.affirmed,
            "doubts, label was not there": sum(told.denied.values()),
            "repeats that stations dropped": told.repeats,
            "ledger entries": told.entries,
            "ledger verify": verified.stdout.strip().splitlines()[0],
        }

    async def _count_told(self, told: Told) -> None:
        """Each move in the ledger was told at the broker, and nothing else."""
        events = await sent(self._scene.broker.url, "bagrelay.out")
        once = {event["id"]: event for event in events}
        moves = Counter(
            (event["data"]["job_id"], event["data"]["state"])
            for event in once.values()
            if event["type"] in ("bagrelay.job.moved.v1", "bagrelay.parcel.verified.v1")
        )
        if missing := told.moves - moves:
            self._figures.wrong.append(f"{missing.total()} moves were not told: {missing}"[:500])
        if made_up := moves - told.moves:
            self._figures.wrong.append(f"{made_up.total()} moves are made up: {made_up}"[:500])
        self._figures.numbers["events told, and told again"] = (
            f"{len(once)}, {len(events) - len(once)}"
        )


def _seen(room: Room) -> Any:
    room.look()
    return room.printed.values()


def main() -> int:
    """Run, print the figures; 1 when something did not hold."""
    options = argparse.ArgumentParser(description="Let everything fail, and count the labels.")
    options.add_argument("--minutes", type=float, default=10.0)
    options.add_argument("--stations", type=int, default=200)
    options.add_argument("--gateways", type=int, default=3)
    options.add_argument("--broker", choices=("nats", "rabbitmq"), default="nats")
    options.add_argument("--every-s", type=float, default=20.0, help="between scans of a station")
    options.add_argument("--pause-s", type=float, default=15.0, help="longest between two troubles")
    options.add_argument("--seed", type=int, default=random.SystemRandom().randrange(10**6))
    options.add_argument("--keep", type=Path, help="a folder for logs, kept afterwards")
    given = options.parse_args()
    plan = Plan(
        given.minutes * 60, given.stations, given.gateways, given.broker, given.every_s,
        given.seed, given.pause_s,
    )  # fmt: skip
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # leave nothing running then either
    with tempfile.TemporaryDirectory(prefix="bagrelay-chaos-") as made:
        folder = given.keep or Path(made)
        folder.mkdir(exist_ok=True)
        folder.chmod(0o755)
        figures = asyncio.run(chaos(folder, plan))
    print(f"seed {plan.seed}, {plan.seconds:.0f} s of trouble, {plan.stations} stations, "
          f"{plan.gateways} gateways, PostgreSQL, {plan.broker}")  # fmt: skip
    for name, number in [*sorted(figures.troubles.items()), *figures.numbers.items()]:
        print(f"{name:>42}  {number}")
    for what in figures.wrong[:40]:
        print(f"wrong: {what}")
    print(f"{len(figures.wrong)} things are wrong")
    return 1 if figures.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
