"""Sends the outbox to its targets: in order, again until taken, each target for itself."""

import asyncio
import contextlib
import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import structlog
from tenacity import (
    AsyncRetrying,
    retry_if_exception_type,
    stop_after_attempt,
    wait_random_exponential,
)

from gateway.clock import Clock
from gateway.errors import NotStored
from gateway.queues import letters, outbox, turns
from gateway.queues.ending import ended
from gateway.queues.letters import Letter
from gateway.queues.outbox import Due
from gateway.queues.port import STRUCTURED, Event, NeverTakes, Sink, Unavailable
from gateway.store.store import EVERY_LANE, Store
from gateway.store.work import OUTBOX
from schemas.problem import ProblemType

log = structlog.get_logger(__name__)

BATCH = 50
TRIES = 4
LOOK_EVERY_S = 5.0
"""A commit wakes the senders; they look by themselves only in case nobody told them."""
PRUNE_EVERY_S = 30.0
_LONGEST_ASKED_WAIT_S = 300.0


@dataclass(frozen=True, slots=True)
class TargetSettings:
    """One place that is told the gateway's own events."""

    way: str
    """Its name to people: `to queue wms`, `to webhook erp`."""
    sink: Sink
    types: frozenset[str]
    """The types that it is sent; all where empty."""
    open_s: float = 1.0
    """How long its breaker stays open at first; doubled each time."""
    longest_open_s: float = 60.0


class Breaker:
    """Keeps a target that takes nothing from being tried all the time."""

    def __init__(self, open_s: float, longest_s: float) -> None:
        self._open_s, self._longest_s = open_s, longest_s
        self._faults = 0

    @property
    def is_open(self) -> bool:
        """Whether the last try failed: then the next is a single one."""
        return self._faults > 0

    def closed(self) -> None:
        """It took something."""
        self._faults = 0

    def opened(self, chance: float, asked_s: float = 0.0) -> float:
        """It took nothing; seconds until the next try. `chance` in 0..1 spreads them."""
        wait = min(self._longest_s, self._open_s * 2.0 ** min(self._faults, 16))
        self._faults += 1
        return max(wait * (0.5 + 0.5 * chance), min(asked_s, _LONGEST_ASKED_WAIT_S))


class Sender:
    """One task for each target, and one that keeps the outbox small."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        targets: Sequence[TargetSettings],
        *,
        source: str,
        owner: str,
        keep_days: int,
    ) -> None:
        self._store = store
        self._clock = clock
        self.targets = {target.way: target for target in targets}
        self._source = source
        self._owner = owner
        self._keep_days = keep_days
        self._tasks: list[asyncio.Task[None]] = []
        self._loop: asyncio.AbstractEventLoop | None = None
        self._told = {way: asyncio.Event() for way in self.targets}
        self.faults: Counter[str] = Counter()
        """How often each target took nothing, since the start."""

    async def start(self) -> None:
        """Make the targets known and begin."""
        self._loop = asyncio.get_running_loop()
        self._store.on_wake(self._wake_from_any_thread)
        ways = list(self.targets)
        await self._store.write(lambda work: outbox.register(work, ways))
        self._tasks = [
            asyncio.create_task(self._serve(target), name=target.way)
            for target in self.targets.values()
        ]
        self._tasks.append(asyncio.create_task(self._keep_small(), name="outbox"))

    async def stop(self) -> None:
        """Stop sending; what was not taken is sent after the next start."""
        await ended(self._tasks)
        self._tasks = []
        for target in self.targets.values():
            await target.sink.close()

    def _wake_from_any_thread(self, told: frozenset[str]) -> None:
        if told & {OUTBOX, EVERY_LANE} and self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop may be closed by now
                self._loop.call_soon_threadsafe(self.wake)

    def wake(self) -> None:
        """There may be something to send; called on the loop."""
        for told in self._told.values():
            told.set()

    async def _nothing_due(self, way: str) -> None:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._told[way].wait(), LOOK_EVERY_S)

    async def _serve(self, target: TargetSettings) -> None:
        breaker = Breaker(target.open_s, target.longest_open_s)
        while True:
            self._told[target.way].clear()
            try:
                wait = await self._some(target, breaker)
            except NotStored:
                wait = 1.0
            except Exception:
                log.exception("outbox.broke", target=target.way)
                wait = 5.0
            if wait is None:
                await self._nothing_due(target.way)
            else:
                await asyncio.sleep(wait)

    async def _some(self, target: TargetSettings, breaker: Breaker) -> float | None:
        """Send what is due, at most a batch; seconds until there may be more, None where none is
        due."""
        if not await turns.take(self._store, target.way, self._owner):
            return turns.RENEW_S
        due = await self._due(target)
        if due.looked_to == due.sent_to:
            return None
        turn_until = self._clock.monotonic() + turns.RENEW_S
        done = due.sent_to
        try:
            for event in due.events:
                if self._clock.monotonic() > turn_until:
                    break
                await self._send(target, event, once=breaker.is_open)
                breaker.closed()
                done = event.number
            else:
                done = due.looked_to
        except Unavailable as away:
            self.faults[target.way] += 1
            await self._got_to(target, due, done)
            wait = breaker.opened(random.random(), away.retry_after_s)  # noqa: S311, TID251
            log.warning("outbox.waits", target=target.way, seconds=round(wait, 1), text=str(away))
            why = str(away)
            await self._store.write(lambda work: outbox.hindered(work, target.way, why))
            return wait
        except asyncio.CancelledError:
            with contextlib.suppress(NotStored):
                await self._got_to(target, due, done)
            raise
        await self._got_to(target, due, done)
        return 0.0

    async def _due(self, target: TargetSettings) -> Due:
        return await self._store.read(
            lambda conn: outbox.due(conn, target.way, target.types, self._source, BATCH)
        )

    async def _got_to(self, target: TargetSettings, due: Due, done: int) -> None:
        if done > due.sent_to:
            await self._store.write(
                lambda work: outbox.advance(work, target.way, due.sent_to, done)
            )

    async def _send(self, target: TargetSettings, event: Event, *, once: bool) -> None:
        tries = AsyncRetrying(
            retry=retry_if_exception_type(Unavailable),
            stop=stop_after_attempt(1 if once else TRIES),
            wait=wait_random_exponential(multiplier=0.1, max=2.0),
            reraise=True,
        )
        try:
            await tries(target.sink.send, event)
        except NeverTakes as never:
            letter = Letter(
                way=target.way,
                body=event.structured(),
                headers={"content-type": STRUCTURED},
                problem=ProblemType.INVALID.value,
                reason=str(never),
                source=event.source,
                event_id=event.id,
            )
            number = await self._store.write(lambda work: letters.keep(work, letter))
            log.warning("outbox.dead", target=target.way, letter=number, text=str(never))

    async def _keep_small(self) -> None:
        while True:
            with contextlib.suppress(NotStored):
                await self.prune()
            await asyncio.sleep(PRUNE_EVERY_S)

    async def prune(self) -> None:
        """Drop what every target has taken, and letters whose time is up."""
        ways, days = list(self.targets), self._keep_days
        losers = await self._store.write(lambda work: outbox.prune(work, ways, days))
        await self._store.write(lambda work: letters.prune(work, days))
        for way in losers:
            log.error("outbox.gave_up", target=way, text="it took nothing for too long")
