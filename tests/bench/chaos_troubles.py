"""What befalls the gateways, servers and lines of the chaos run, and how soon others took over."""

import asyncio
import random
import statistics
from collections import Counter
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import httpx
import psycopg
import sqlalchemy as sa

from gateway.dispatch.dispatcher import LEASE_S
from gateway.ledger import entries
from schemas.ledger import LedgerEntry
from tests.bench.chaos_people import People
from tests.bench.promises import Told
from tests.rigs.cut_lines import CutLines
from tests.rigs.gateway_process import GatewayProcess
from tests.rigs.servers import Nats, Postgres, RabbitMq, Server

_LONGEST_DOWN_S = 3.0
_RATHER_A_SENDER = 0.6
_NOT_STARTED = "Application startup failed"
"""Said by a gateway that finds no database at its start, and ends for its supervisor to see."""
_CUT_AT_ONCE = 0.1
"""The part of the stations' lines that is cut together."""


@dataclass(frozen=True, slots=True)
class Scene:
    """The servers, and the lines to everything."""

    database: Postgres
    broker: Nats | RabbitMq
    lines: CutLines

    def ledger(self, database: str) -> list[LedgerEntry]:
        """Every entry, read without a gateway."""
        url = self.database.dsn(database).replace("postgresql:", "postgresql+psycopg:")
        engine = sa.create_engine(url)
        with engine.connect() as conn:
            told = entries.page(conn, after=0, limit=10_000_000)
        engine.dispose()
        return told


@dataclass(frozen=True, slots=True)
class _Gone:
    """A gateway that sent to these stations was lost at this time."""

    at: datetime
    stations: frozenset[str]
    how: str
    for_s: float
    """Lanes that nobody has taken by then were not taken over: a paused gateway went on."""


class Troubles:
    """Makes one trouble after the other; each thing has at most one at a time."""

    def __init__(
        self,
        scene: Scene,
        gateways: Sequence[GatewayProcess],
        cuttable: Sequence[str],
        people: People,
        chance: random.Random,
    ) -> None:
        self.done: Counter[str] = Counter()
        self.wrong: list[str] = []
        self._scene, self._gateways, self._cuttable = scene, gateways, cuttable
        self._people, self._chance = people, chance
        self._gone: list[_Gone] = []
        self._busy: set[str] = set()
        self._running: set[asyncio.Task[None]] = set()
        self._kinds: list[tuple[int, Callable[[], Awaitable[None]]]] = [
            (4, self._kill), (4, self._pause), (2, self._broker), (2, self._database),
            (4, self._cut_stations), (3, self._cut_link), (2, self._freeze_link),
        ]  # fmt: skip

    async def make(self, seconds: float, pause_s: float) -> None:
        """For so long, one of each kind first; afterwards everything runs again."""
        loop = asyncio.get_running_loop()
        ends = loop.time() + seconds
        weights = [weight for weight, _ in self._kinds]
        first = self._chance.sample(self._kinds, len(self._kinds))
        while loop.time() < ends:
            await asyncio.sleep(min(self._chance.uniform(0.2, pause_s), ends - loop.time()))
            _, trouble = first.pop() if first else self._chance.choices(self._kinds, weights)[0]
            task = asyncio.ensure_future(trouble())
            self._running.add(task)  # type: ignore[arg-type]
            task.add_done_callback(self._running.discard)  # type: ignore[arg-type]
            await self._start_what_ended()
        await asyncio.gather(*self._running)
        await self._start_what_ended()

    async def _start_what_ended(self) -> None:
        """What a supervisor of processes does."""
        for gateway in self._gateways:
            if gateway.ended_by_itself and gateway.name not in self._busy:
                if _NOT_STARTED in gateway.last_words[-400:]:
                    self.done["starts while the database was away"] += 1
                else:
                    words = gateway.last_words[-800:]
                    self.wrong.append(f"{gateway.name} ended by itself: {words}")
                await gateway.start()

    # Gateways

    async def _kill(self) -> None:
        gateway = await self._free_gateway()
        if gateway is None:
            return
        try:
            await self._note_gone(gateway, "killed", 60.0)
            await gateway.kill()
            self.done["gateways killed"] += 1
            await asyncio.sleep(self._chance.uniform(0, _LONGEST_DOWN_S))
            await gateway.start()
            if self._chance.random() > 0.15:  # else it may be killed while it starts
                await gateway.ready()
        finally:
            self._busy.discard(gateway.name)

    async def _pause(self) -> None:
        gateway = await self._free_gateway()
        if gateway is None:
            return
        try:
            for_s = LEASE_S + self._chance.uniform(2.5, 6.0)
            await self._note_gone(gateway, "paused", for_s)
            gateway.pause()
            self.done["gateways paused past their lease"] += 1
            await asyncio.sleep(for_s)
            gateway.go_on()
        finally:
            self._busy.discard(gateway.name)

    async def _free_gateway(self) -> GatewayProcess | None:
        """One that nothing befalls now, as long as another works; rather one that has lanes."""
        free = [one for one in self._gateways if one.name not in self._busy]
        if len(free) < 2:
            return None
        self._chance.shuffle(free)
        if self._chance.random() < _RATHER_A_SENDER:
            for gateway in free:
                if await self._lanes_of(gateway, f"/{self._cuttable[0]}"):
                    free = [gateway]
                    break
        gateway = free[0]
        if gateway.name in self._busy:
            return None
        self._busy.add(gateway.name)
        return gateway

    async def _note_gone(self, gateway: GatewayProcess, how: str, for_s: float) -> None:
        lanes = await self._lanes_of(gateway, "")
        self._gone.append(_Gone(datetime.now(UTC), lanes, how, for_s))

    async def _lanes_of(self, gateway: GatewayProcess, station: str) -> frozenset[str]:
        """The stations that it sends to; none where it doesn't answer."""
        with suppress(httpx.TransportError, ValueError, TypeError, KeyError):
            async with httpx.AsyncClient(trust_env=False, timeout=2) as client:
                seen = (await client.get(f"{gateway.url}/v1/stations{station}")).json()
                views = [seen] if station else seen
                return frozenset(view["station"] for view in views if view["sends_here"])
        return frozenset()

    # Servers

    async def _broker(self) -> None:
        await self._down("broker", self._scene.broker)

    async def _database(self) -> None:
        await self._down("database", self._scene.database)

    async def _down(self, name: str, server: Server) -> None:
        if name in self._busy:
            return
        self._busy.add(name)
        try:
            killed = self._chance.random() < 0.5
            await asyncio.to_thread(server.kill if killed else server.stop)
            self.done[f"{name} {'killed' if killed else 'restarted in order'}"] += 1
            await asyncio.sleep(self._chance.uniform(0, _LONGEST_DOWN_S))
            await _start_again(server)
        finally:
            self._busy.discard(name)

    # Lines

    async def _cut_stations(self) -> None:
        many = max(1, int(len(self._cuttable) * _CUT_AT_ONCE))
        for station in self._chance.sample(list(self._cuttable), many):
            if self._chance.random() < 0.5:
                await self._scene.lines.cut(station)
            else:
                await self._scene.lines.refuse(station, self._chance.uniform(0.2, 2.0))
            self.done["lines to stations cut"] += 1

    async def _cut_link(self) -> None:
        link = self._link()
        if self._chance.random() < 0.5:
            await self._scene.lines.cut(link)
        else:
            await self._scene.lines.refuse(link, self._chance.uniform(1.0, 8.0))
        self.done["lines to database or broker cut"] += 1

    async def _freeze_link(self) -> None:
        await self._scene.lines.freeze(self._link(), self._chance.uniform(1.0, LEASE_S + 6.0))
        self.done["lines to database or broker frozen"] += 1

    def _link(self) -> str:
        end = self._chance.choice(("database", "broker"))
        return f"{self._chance.choice(self._gateways).name} {end}"

    # Figures

    def figures(self, told: Told) -> dict[str, Any]:
        """How soon lanes of a lost gateway were sent to again, by the ledger's own times."""
        numbers: dict[str, Any] = {}
        for how in ("killed", "paused"):
            waits = [wait for gone in self._gone if gone.how == how for wait in _waits(gone, told)]
            if waits:
                numbers[f"lanes taken over from {how}, median, longest (s)"] = (
                    f"{len(waits)}, {statistics.median(waits):.1f}, {max(waits):.1f}"
                )
        return numbers


def _waits(gone: _Gone, told: Told) -> list[float]:
    """For each lane that it had: seconds until the lane was leased anew."""
    first: dict[str, float] = {}
    for time, station in told.leased:
        if station in gone.stations and station not in first and time > gone.at:
            first[station] = (time - gone.at).total_seconds()
    return [wait for wait in first.values() if wait < gone.for_s]


async def _start_again(server: Server) -> None:
    """Start a server that was just killed: what is left of it may need a moment to go."""
    for _ in range(20):
        try:
            await asyncio.to_thread(server.start)
        except (RuntimeError, psycopg.Error):
            await asyncio.sleep(0.5)
        else:
            return
    raise RuntimeError(f"{server.name} did not come back")
