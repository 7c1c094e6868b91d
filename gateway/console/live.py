"""Live pages: what changed on the floor, sent as server-sent events.

One look at the store serves every open page. A look asks which stations have new ledger entries
and whose lane says something else than before; only those are read and drawn anew.
"""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from dataclasses import dataclass
from secrets import token_hex

import sqlalchemy as sa
import structlog
from sqlalchemy.engine import Connection

from gateway.console import stations
from gateway.console.stations import LaneOf, StationNow, Tone
from gateway.errors import GatewayError
from gateway.store.store import Store
from gateway.store.tables import entries, ledger_head
from schemas.station import Station

log = structlog.get_logger(__name__)

LOOK_EVERY_S = 0.3
BEAT_EVERY_S = 3.0

LaneSeen = tuple[str, str, bool, bool]


@dataclass(frozen=True, slots=True)
class Change:
    """What a look found: the stations that changed up to a tick."""

    mark: str
    stations: tuple[StationNow, ...]


class Pulse:
    """Looks at the floor while somebody watches. `mark` names a moment of this process."""

    def __init__(
        self,
        all_stations: Mapping[str, Station],
        store: Store,
        lane_of: LaneOf,
        *,
        look_every_s: float = LOOK_EVERY_S,
    ) -> None:
        self._stations = all_stations
        self._store = store
        self._lane_of = lane_of
        self._look_every_s = look_every_s
        self._run = token_hex(4)
        self._tick = 0
        self._changed_at: dict[str, int] = dict.fromkeys(all_stations, 0)
        self._size = 0
        self._lanes: dict[str, LaneSeen] = {}
        self._tones: dict[str, Tone] = {}
        self._looking: asyncio.Task[None] | None = None
        self._watchers = 0
        self._moved = asyncio.Condition()
        self._one_look = asyncio.Lock()

    async def mark(self) -> str:
        """The moment up to which a page drawn from now on is right; its stream begins there."""
        await self._look()
        return self._mark()

    def _mark(self) -> str:
        return f"{self._run}-{self._tick}"

    async def watch(self, since: str) -> AsyncIterator[Change | None]:
        """What changed since a mark, then each change as it comes; None as a sign of life."""
        self._watchers += 1
        if self._looking is None:
            self._looking = asyncio.create_task(self._look_on(), name="console floor")
        try:
            tick = self._tick_of(since)
            while True:
                changed = [name for name, at in self._changed_at.items() if at > tick]
                if changed:
                    tick, mark = self._tick, self._mark()
                    yield Change(mark, tuple(await self._draw(changed)))
                    continue
                tick = self._tick
                try:
                    async with asyncio.timeout(BEAT_EVERY_S), self._moved:
                        await self._moved.wait_for(lambda: self._tick > tick)  # noqa: B023
                except TimeoutError:
                    yield None
        finally:
            self._watchers -= 1
            if self._watchers == 0 and self._looking is not None:
                self._looking.cancel()
                self._looking = None

    def _tick_of(self, since: str) -> int:
        run, _, tick = since.partition("-")
        return int(tick) if run == self._run and tick.isdigit() else -1

    async def _draw(self, names: list[str]) -> list[StationNow]:
        def read(conn: Connection) -> list[StationNow]:
            wanted = [self._stations[name] for name in names]
            return stations.all_now(conn, wanted, self._lane_of)

        drawn = await self._store.read(read)
        self.remember(drawn)
        return drawn

    def remember(self, drawn: Iterable[StationNow]) -> None:
        """Take note of how stations were drawn, for the summary of all of them."""
        self._tones |= {one.view.station: one.tone for one in drawn}

    def summary(self) -> list[tuple[str, int]]:
        """How many stations stand how, those that want a person first."""
        counts = Counter(self._tones.values())
        return [(tone.value, counts[tone]) for tone in Tone if counts[tone]]

    async def _look_on(self) -> None:
        while True:
            try:
                await self._look()
            except GatewayError as failure:
                log.warning("floor.not_seen", text=failure.detail)
            await asyncio.sleep(self._look_every_s)

    async def _look(self) -> None:
        async with self._one_look:
            await self._look_alone()

    async def _look_alone(self) -> None:
        seen = self._size
        size, told = await self._store.read(lambda conn: _since(conn, seen))
        lanes = {name: _lane_seen(self._lane_of, name) for name in self._stations}
        changed = {name for name in told if name in self._stations}
        changed |= {name for name, lane in lanes.items() if lane != self._lanes.get(name)}
        if seen == 0:
            changed = set(self._stations)
        self._size, self._lanes = size, lanes
        if not changed:
            return
        async with self._moved:
            self._tick += 1
            for name in changed:
                self._changed_at[name] = self._tick
            self._moved.notify_all()


def _since(conn: Connection, seen: int) -> tuple[int, set[str]]:
    size = conn.execute(sa.select(ledger_head.c.size)).scalar_one()
    if seen in (0, size):
        return size, set()
    told = conn.execute(
        sa.select(entries.c.station).distinct().where(entries.c.seq > seen, entries.c.seq <= size)
    )
    return size, {row.station for row in told if row.station}


def _lane_seen(lane_of: Callable[[str], tuple[object, bool]], name: str) -> LaneSeen:
    lane, sends_here = lane_of(name)
    return (
        str(getattr(lane, "waits_for", "")),
        str(getattr(lane, "signal_refused", "")),
        bool(getattr(lane, "breaker_open", False)),
        sends_here,
    )
