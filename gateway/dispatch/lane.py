"""One lane: the strict queue of one station, and the only task that sends to it."""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

import structlog
from tenacity import AsyncRetrying, retry_if_exception_type

from adapters.contract import StationLine
from adapters.errors import FateUnknown, NothingSent, StationFault
from gateway.clock import Clock
from gateway.dispatch import asking, lane_steps
from gateway.dispatch.after_fault import Next, after_fault
from gateway.dispatch.breaker import Breaker
from gateway.dispatch.budget import budget_of
from gateway.dispatch.handover import Handover
from gateway.dispatch.lane_at import lane_at
from gateway.dispatch.lane_steps import Idle, LeftOver, Taken
from gateway.dispatch.lane_view import LaneView
from gateway.dispatch.lease import Lease, LeaseLost
from gateway.dispatch.looking import look
from gateway.dispatch.machine_hold import MachineHold
from gateway.dispatch.watch import Watch
from gateway.dispatch.while_leased import WhileLeased, renewed_in_time
from gateway.errors import GatewayError, NotStored
from gateway.logs import bound
from gateway.metrics import Metrics
from gateway.store import jobs
from gateway.store.jobs import JobRow
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.job import JobState
from schemas.station import Fate, Receipt, Station, StationState

log = structlog.get_logger(__name__)

T = TypeVar("T")

ASK_AGAIN_S = 1.0
PERSON_WAIT_S = 5.0
LEAST_REST_S = 0.1


class _Settled(Exception):
    """A person or a scan was quicker than the station."""


class _Again(Exception):
    """The try failed in a way that makes another try safe."""


class Lane:
    """Takes jobs one by one and delivers each through the adapter, as far as the line can prove."""

    def __init__(
        self,
        station: Station,
        adapter: StationLine,
        store: Store,
        clock: Clock,
        metrics: Metrics,
        lease: Callable[[], Lease | None],
    ) -> None:
        self.station = station
        self.adapter = adapter
        self.view = LaneView()
        budget = budget_of(station, adapter.claims)
        self._breaker = Breaker(station.id, budget, self.view, metrics)
        self._store = store
        self._clock = clock
        self._metrics = metrics
        self._lease = lease
        self.while_leased = WhileLeased()
        self.reporting = asyncio.Lock()
        """Held while a signed report of the station is taken: one after the other."""
        self._work = asyncio.Event()
        self._handover = Handover(self.wake)
        self._watch = Watch(adapter, self.open, store)
        self._machine = MachineHold(adapter, self.open, store)
        self._opening = asyncio.Lock()
        self._stop = asyncio.Event()
        self._log = log.bind(station=station.id)

    def wake(self) -> None:
        """There may be work."""
        self._work.set()

    def stop(self) -> None:
        """Finish what is being sent, then end."""
        self._stop.set()
        self._work.set()

    async def open(self) -> None:
        """Open the line; the sender and the listener may both ask."""
        async with self._opening:
            await self.adapter.open()

    async def run(self) -> None:
        """Until stopped. Lets no exception out but a cancellation: a lane must not fall silent."""
        while not self._stop.is_set():
            self._work.clear()
            try:
                busy = await self._step()
                if not busy and (lease := self._lease()) is not None:
                    await self._watch.look(lease)
            except LeaseLost as lost:
                self._log.warning("lane.lease_lost", text=str(lost))
                self._watch.later()
                busy = False
            except GatewayError as failure:
                self._log.error("lane.step_failed", text=failure.detail)
                await self._pause(ASK_AGAIN_S)
                busy = True
            except Exception:  # noqa: BLE001 - logged; the lane must live
                self._log.exception("lane.broke")
                await self._pause(ASK_AGAIN_S)
                busy = True
            if not busy:
                await self._rest()
        await self._give_back()
        await self._close()

    def line_opened(self) -> None:
        """The line of the station is there, or there again."""
        self._watch.begin()
        self._machine.begin()
        self.wake()

    async def _rest(self) -> None:
        """Until there may be work, or it is time to look at the station."""
        lease = self._lease()
        if lease is None:
            await self._close()  # the line is for whoever has the lane now
        self._handover.open()
        with suppress(TimeoutError):
            due_in_s = None if lease is None else max(self._watch.due_in_s(), LEAST_REST_S)
            async with asyncio.timeout(due_in_s):
                await self._work.wait()

    def take_within(self, work: Work) -> None:
        """Take the next job within a step that queues it, where the lane is idle here."""
        lease = self._lease()
        if lease is not None and not asking.needs_count(self.adapter):
            self._handover.take_within(work, self.station, lease)

    async def _give_back(self) -> None:
        """What was handed to a lane that stops meanwhile: nothing of it was sent."""
        if (handed := await self._handover.end()) is not None:
            stopped = NothingSent("The gateway stopped before anything was sent.")
            with suppress(GatewayError, LeaseLost, _Again):
                await self._failed(handed.taken.job, stopped, handed.lease)

    async def _step(self) -> bool:
        if (handed := await self._handover.end()) is not None:
            await self._send(handed.taken, handed.lease)
            return True
        lease = self._lease()
        if lease is None:
            return False
        taken = await self._take(lease)
        match taken:
            case Taken():
                await self._send(taken, lease)
                return True
            case LeftOver(job=job):
                await self._recover(job, lease)
                return True
            case Idle.HELD:
                await self._machine.hold(lease)
                return False
            case Idle.LET_GO:
                if await self._machine.let_go(lease):
                    self.view.waits_for = ""
                    self._watch.begin()
                else:
                    await self._not_let_go(lease)
                return True
            case Idle.STANDS:
                await self._look(lease)
                await self._watch.look(lease)
                return True
            case Idle.DOUBT:
                return await self._ask_again(lease)
            case _:
                return False

    async def _not_let_go(self, lease: Lease) -> None:
        """Its machine can't be told to go on: it stands, unless it answers and is ready anyway."""
        stands = await look(self.open, self.adapter)
        if stands is None:
            await self._machine.forget(lease)
            return
        to, why = stands
        self.view.failed_tries += 1
        self.view.waits_for = f"its machine can't be told that it may go on: {why}"
        await self._stands(to, why, lease)
        await self._pause(ASK_AGAIN_S)

    async def _look(self, lease: Lease) -> None:
        """A station that stands is looked at first: a label tried in vain is an entry for ever."""
        stands = await look(self.open, self.adapter)
        if stands is not None:
            to, why = stands
            self.view.failed_tries += 1
            self.view.waits_for = why
            await self._stands(to, why, lease)
            faulted = to is StationState.FAULTED
            await self._pause(self._breaker.budget.breaker_open_s if faulted else PERSON_WAIT_S)
            return
        taken = await self._take(lease, looked=True)
        if isinstance(taken, Taken):
            await self._send(taken, lease)
        else:
            self._breaker.recovered()

    async def _stands(self, to: StationState, why: str, lease: Lease) -> bool:
        station = self.station.id
        return await self._store.write(lambda w: lane_steps.stands(w, lease, station, to, why))

    async def _take(self, lease: Lease, *, looked: bool = False) -> Taken | LeftOver | Idle:
        if not looked:
            # Most wakes bring nothing to take, and a look costs less than a step.
            look_in = self._store.glance(lambda c: lane_steps.nothing_to_take(c, self.station))
            if (idle := await look_in) is not None:
                return idle
        count = None
        if asking.needs_count(self.adapter):
            with suppress(StationFault, TimeoutError):
                await self.open()
                async with asyncio.timeout(self.adapter.claims.state_within_s):
                    count = await asking.count_before(self.adapter)
        return await self._store.write(
            lambda work: lane_steps.take_next(work, self.station, lease, count, looked=looked)
        )

    async def _send(self, first: Taken, lease: Lease) -> None:
        """Try, and try again where the table of faults says that it is safe."""
        try:
            await self._try_once(first, lease)
        except _Again:
            await self._send_again(first.job, lease)
        if self._breaker.is_failing:
            await self._open_breaker(lease)

    async def _send_again(self, job: JobRow, lease: Lease) -> None:
        """The further tries of the budget. The one that failed counts as its first."""
        budget = self._breaker.budget
        tries = AsyncRetrying(
            retry=retry_if_exception_type(_Again),
            wait=self._breaker.wait_s,
            stop=lambda state: state.attempt_number >= budget.attempts or self._breaker.is_failing,
            sleep=self._pause,
            reraise=True,
        )
        try:
            async for attempt in tries:
                with attempt:
                    if attempt.retry_state.attempt_number == 1:
                        raise _Again  # noqa: TRY301 - as it did
                    await self._must_answer()
                    taken = await self._take_same(job, lease)
                    if taken is None:
                        return
                    await self._try_once(taken, lease)
        except _Again:
            await self._open_breaker(lease)

    async def _must_answer(self) -> None:
        """Look before the job is tried again. Raises `_Again` while nobody is there."""
        stands = await look(self.open, self.adapter)
        if stands is not None and stands[0] is StationState.FAULTED:
            self._breaker.note(NothingSent(stands[1]))
            raise _Again

    async def _take_same(self, job: JobRow, lease: Lease) -> Taken | None:
        """Take the job again; None when a person, a hold or another process came between."""
        if self._stop.is_set():
            return None
        taken = await self._take(lease)
        if isinstance(taken, Taken) and taken.job.job_id != job.job_id:
            await self._try_once(taken, lease)
            return None
        return taken if isinstance(taken, Taken) else None

    async def _try_once(self, taken: Taken, lease: Lease) -> None:
        started = self._clock.monotonic()
        job = taken.job
        with bound(order_id=job.order_id, parcel_id=job.parcel_id, job_id=job.job_id):
            try:
                receipt = await self._deliver(taken, lease)
            except StationFault as fault:
                self._log.info("job.not_delivered", fault=type(fault).__name__, text=fault.what)
                await self._failed(job, fault, lease)
                return
            self._metrics.delivered(self.station.id, self._clock.monotonic() - started)
            tries = self.view.failed_tries + 1 if taken.stood else 0
            self._breaker.recovered()
            await self._keep(
                lambda work: lane_steps.delivered(work, self.station, lease, job, receipt, tries)
            )
            self._log.info("job.delivered", stage=receipt.stage.value, attempt=job.attempt)

    async def _keep(self, step: Callable[[Work], T]) -> T:
        """Write what is known of a delivery, again while the store takes nothing.

        Nothing else may be sent before; and to forget it would make a doubt out of knowledge.
        """
        while True:
            try:
                return await self._store.write(step)
            except NotStored as failure:
                self._log.error("lane.step_waits", text=failure.detail)
                if self._stop.is_set():
                    raise
                await self._pause(ASK_AGAIN_S)

    async def _deliver(self, taken: Taken, lease: Lease) -> Receipt:
        """One delivery with a deadline. One that ends without an answer is unknown, not unsent."""
        await self.open()
        if not await renewed_in_time(lambda: self._left_s(lease), self._pause):
            raise NothingSent("The lease on the lane ended before anything was sent.")
        if not self.view.connected:
            self.view.connected = True
            self._log.info("station.connected")
        try:
            async with (
                asyncio.timeout(self.adapter.claims.deliver_within_s),
                self.while_leased.holds(self._left_s(lease)),
            ):
                receipt = await self.adapter.deliver(taken.order)
        except TimeoutError as late:
            why = f"No answer within {self.adapter.claims.deliver_within_s:g} s."
            if self._left_s(lease) <= 0:
                why = "The lease on the lane ended while the label was being sent."
            raise FateUnknown(why, do="Look whether the label came out.") from late
        if receipt.job_id != taken.job.job_id:
            raise FateUnknown(
                f"The station answered about job {receipt.job_id}, which it wasn't asked for.",
                do="Look whether the label came out.",
                bytes_sent=receipt.bytes_sent,
            )
        return receipt

    def _left_s(self, lease: Lease) -> float:
        """Seconds that the lease lasts, as renewed by now."""
        now = self._lease()
        last = now if now and now.epoch == lease.epoch else lease
        return last.good_until - self._clock.monotonic()

    async def _failed(self, job: JobRow, fault: StationFault, lease: Lease) -> None:
        following = after_fault(self.adapter.claims, fault)
        self._metrics.fault(self.station.id, following.value)
        if self._left_s(lease) > 0:  # else it is this process that was late, not the station
            self._breaker.note(fault)

        def to(state: JobState) -> Callable[[Work], JobRow | None]:
            return lambda work: lane_steps.failed(work, lease, job, state, fault)

        match following:
            case Next.RETRY:
                if await self._keep(to(JobState.QUEUED)) is None:
                    return
                if self._left_s(lease) <= 0:
                    raise LeaseLost(f"lane {self.station.id}: the lease ended and isn't renewed")
                raise _Again
            case Next.WAIT_FOR_PERSON:
                await self._keep(lambda work: lane_steps.needs_person(work, lease, job, fault))
                self.view.waits_for = fault.told
                await self._pause(PERSON_WAIT_S)
            case Next.REFUSED:
                await self._keep(to(JobState.REFUSED))
            case Next.HOLD:
                await self._keep(lambda work: lane_steps.misconfigured(work, lease, job, fault))
            case Next.ASK | Next.IN_DOUBT:
                await self._keep(to(JobState.IN_DOUBT))

    async def _recover(self, job: JobRow, lease: Lease) -> None:
        """A job was being sent when its process died: what left it, nobody can tell."""
        fault = FateUnknown("The gateway stopped while this job was being sent.")
        with suppress(_Again):
            await self._failed(job, fault, lease)

    async def _ask_again(self, lease: Lease) -> bool:
        """Ask the station about the job in doubt; False where only a person or a scan can tell."""
        adapter = self.adapter
        job = await self._store.read(lambda conn: jobs.open_job(conn, self.station.id))
        if job is None:
            return True
        if not asking.can_tell(adapter, job):
            self.view.waits_for = f"job {job.job_id} is in doubt: a person or a scan must tell"
            return False
        try:
            fate, why = await asking.answer(self.open, adapter, job, self._pause_in_doubt)
        except _Settled:
            return True
        if fate is None:
            self.view.waits_for = why or f"asking the station what became of job {job.job_id}"
            await self._pause(ASK_AGAIN_S)
            return True
        if fate is Fate.CANNOT_TELL:
            self.view.waits_for = f"the station can't tell what became of job {job.job_id}"
            return False
        await self._store.write(lambda w: lane_steps.told_fate(w, self.station, lease, job, fate))
        if fate is Fate.UNKNOWN_JOB:
            if self._breaker.is_failing:
                await self._open_breaker(lease)
        else:
            self._breaker.recovered()
        return True

    async def _open_breaker(self, lease: Lease) -> None:
        """The station's budget is spent: let it be for a while. Its jobs stay where they are."""
        if not await self._stands(StationState.FAULTED, self.view.waits_for, lease):
            return
        self._breaker.opened()
        await self._pause(self._breaker.budget.breaker_open_s)
        self._breaker.half_open()
        self._work.set()

    async def _pause_in_doubt(self, seconds: float) -> None:
        """Wait while a doubt stands. Raises `_Settled` once somebody else has settled it."""
        with suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while True:
                    await self._work.wait()
                    self._work.clear()
                    at = await self._store.glance(lambda conn: lane_at(conn, self.station.id))
                    if at.open_state is not JobState.IN_DOUBT or self._stop.is_set():
                        raise _Settled

    async def _pause(self, seconds: float) -> None:
        """Wait, but not through a stop."""
        try:
            async with asyncio.timeout(seconds):
                await self._stop.wait()
        except TimeoutError:
            return

    async def _close(self) -> None:
        try:
            await self.adapter.close()
        except StationFault as fault:
            self._log.warning("station.close_failed", text=fault.what)
