"""Runs a source into the intake: order per station, back-pressure from the lanes, nothing lost.

Each station's messages are taken one after the other, those of different stations side by side,
so that their commits make groups. A message whose lane is full stays in hand, unacknowledged, and
is tried again; a station that is stuck may keep only its share in hand, the rest goes back to the
broker, so that the other stations' messages come through. Handing back is the one thing that can
change the order of a station's messages, and only of those that its full lane could not take.
"""

import asyncio
import contextlib
import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import structlog

from gateway.errors import GatewayError, NotStored
from gateway.intake.accept import Intake
from gateway.intake.envelope import Incoming
from gateway.queues import letters, turns
from gateway.queues.decide import Next, decide, wait_s
from gateway.queues.ending import ended
from gateway.queues.handle import Handled, handle, read_one, refusal
from gateway.queues.letters import Letter
from gateway.queues.port import BrokerDown, Delivery, Source
from gateway.store.store import Store
from schemas.queues import WayIn

log = structlog.get_logger(__name__)

HAND_BACK_S = 5.0
FINISH_WITHIN_S = 3.0
_NO_STATION = ""


@dataclass(frozen=True, slots=True)
class FeedSettings:
    """What a feed is told about its queue."""

    name: str
    prefetch: int
    holds: int
    """Messages that a stuck station may keep in hand; 0: even the first goes back."""
    max_bytes: int
    hand_back_s: float = HAND_BACK_S

    @property
    def way(self) -> str:
        """How the way in is named to people and in the ledger."""
        return f"queue {self.name}"


@dataclass(slots=True)
class _Held:
    delivery: Delivery
    incoming: Incoming | None
    wrong: Handled | None = None
    tries: int = 0


@dataclass(slots=True)
class _Lane:
    waiting: deque[_Held] = field(default_factory=deque)
    worker: asyncio.Task[None] | None = None


class Feed:
    """One queue into the intake, for as long as it runs; a broker that is away is tried again."""

    def __init__(
        self,
        settings: FeedSettings,
        make_source: Callable[[], Source],
        intake: Intake,
        store: Store,
        owner: str,
    ) -> None:
        self._settings = settings
        self._make_source = make_source
        self._intake = intake
        self._store = store
        self._owner = owner
        self._lanes: dict[str, _Lane] = {}
        self._task: asyncio.Task[None] | None = None
        self._connected = False
        self._stopping = False
        self._text = "not yet connected"
        self._taken = 0
        self._refused = 0
        self._connections = 0

    def view(self) -> WayIn:
        """How it is doing."""
        return WayIn(
            way=self._settings.way,
            connected=self._connected,
            in_hand=sum(len(lane.waiting) for lane in self._lanes.values()),
            taken=self._taken,
            refused=self._refused,
            reconnects=max(0, self._connections - 1),
            text=self._text,
        )

    def start(self) -> None:
        """Begin; whether the broker is there or not."""
        self._task = asyncio.create_task(self._run(), name=f"feed {self._settings.name}")

    async def stop(self) -> None:
        """Take nothing more, finish what is in hand within a few seconds, let the rest go back."""
        self._stopping = True
        workers = [lane.worker for lane in self._lanes.values() if lane.worker]
        if workers and self._connected:
            await asyncio.wait(workers, timeout=FINISH_WITHIN_S)
        if self._task is not None:
            await ended([self._task])
            self._task = None

    async def _run(self) -> None:
        attempt = 0
        while not self._stopping:
            try:
                if await turns.take(self._store, self._settings.way, self._owner):
                    await self._one_connection()
                else:
                    self._text = "another gateway reads it"
                    await asyncio.sleep(turns.RENEW_S)
            except BrokerDown as down:
                attempt = 1 if self._connected else attempt + 1
                self._tell(str(down))
            except NotStored as away:
                attempt += 1
                self._tell(str(away))
            self._connected = False
            await asyncio.sleep(wait_s(attempt, random.random()))  # noqa: S311, TID251

    def _tell(self, text: str) -> None:
        if text != self._text:
            log.warning("queue.away", queue=self._settings.name, text=text)
        self._text = text

    async def _one_connection(self) -> None:
        source = self._make_source()
        keeping: asyncio.Task[None] | None = None
        try:
            await source.open()
            self._connected, self._text = True, ""
            self._connections += 1
            log.info("queue.connected", queue=self._settings.name)
            keeping = asyncio.create_task(self._keep_turn(source), name="turn")
            async for delivery in source.deliveries():
                if not self._stopping:
                    self._sort_in(source, delivery)
        finally:
            workers = [lane.worker for lane in self._lanes.values() if lane.worker]
            await ended([*workers, *([keeping] if keeping is not None else [])])
            self._lanes.clear()
            await source.close()

    async def _keep_turn(self, source: Source) -> None:
        while self._store.shared:
            await asyncio.sleep(turns.RENEW_S)
            with contextlib.suppress(NotStored):
                if not await turns.take(self._store, self._settings.way, self._owner):
                    await source.close()
                    return

    def _sort_in(self, source: Source, delivery: Delivery) -> None:
        try:
            incoming = read_one(delivery.headers, delivery.body, self._settings.max_bytes)
            held = _Held(delivery, incoming)
            station: str = incoming.data.station  # type: ignore[attr-defined]
        except GatewayError as wrong:
            held, station = _Held(delivery, None, refusal(wrong)), _NO_STATION
        lane = self._lanes.setdefault(station, _Lane())
        lane.waiting.append(held)
        if lane.worker is None:
            lane.worker = asyncio.create_task(
                self._work(source, station, lane), name=f"feed {station}"
            )

    async def _work(self, source: Source, station: str, lane: _Lane) -> None:
        try:
            while lane.waiting:
                held = lane.waiting[0]
                held.tries += 1
                following = await self._try(source, held)
                if following is not Next.LATER:
                    lane.waiting.popleft()
                    continue
                await self._hand_back(source, lane)
                if lane.waiting:
                    wait = wait_s(held.tries, random.random())  # noqa: S311, TID251
                    await asyncio.sleep(wait)
        except BrokerDown as down:
            # it will be handed out again; a connection that takes no answer is worth nothing
            self._text = str(down)
            await source.close()
        finally:
            lane.worker = None
            if self._lanes.get(station) is lane:
                del self._lanes[station]

    async def _try(self, source: Source, held: _Held) -> Next:
        handled = held.wrong or await self._take(held)
        following = decide(held.delivery.deliveries - 1 + held.tries, handled.outcome)
        match following:
            case Next.ACKNOWLEDGE:
                await source.ack(held.delivery)
                self._taken += 1
                self._text = ""
            case Next.DEAD:
                try:
                    await self._bury(source, held, handled)
                except NotStored:
                    return Next.LATER
            case Next.LATER:
                self._text = handled.reason
        return following

    async def _take(self, held: _Held) -> Handled:
        assert held.incoming is not None
        return await handle(self._intake, held.incoming, self._settings.way)

    async def _bury(self, source: Source, held: _Held, handled: Handled) -> None:
        event = held.incoming.event if held.incoming else None
        letter = Letter(
            way=self._settings.way,
            body=held.delivery.body,
            headers=held.delivery.headers,
            problem=handled.problem,
            reason=handled.reason,
            source=event.source if event else None,
            event_id=event.id if event else None,
        )
        number = await self._store.write(lambda work: letters.keep(work, letter))
        self._refused += 1
        log.warning("queue.dead", queue=self._settings.name, letter=number, reason=handled.reason)
        await source.dead(held.delivery, handled.problem, handled.reason)

    async def _hand_back(self, source: Source, lane: _Lane) -> None:
        extra = [lane.waiting[at] for at in range(self._settings.holds, len(lane.waiting))]
        if not extra:
            return
        for held in extra:
            lane.waiting.remove(held)
        delay = self._settings.hand_back_s
        await asyncio.gather(*(source.later(held.delivery, delay) for held in extra))
