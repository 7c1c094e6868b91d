"""An order was scanned: get it, decide its bags, make its labels, queue its jobs."""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date

import structlog
from sqlalchemy.engine import Connection

from gateway.clock import Clock
from gateway.dispatch.supply import now_at
from gateway.errors import Invalid, LaneFull
from gateway.fit import Room, decide
from gateway.intake.envelope import Incoming
from gateway.intake.labelling import Labeller, NoLabel, ReadyLabel, order_digest
from gateway.intake.measure import recall
from gateway.intake.queueing import Packed, queue_parcels, store_order, to_manual
from gateway.intake.serials import Serials
from gateway.intake.wms import OrderNotFound, WmsClient
from gateway.metrics import Metrics
from gateway.store import jobs
from gateway.store.jobs import JobRow
from gateway.store.store import Store
from gateway.store.tables import LIVE_STATES
from gateway.store.work import Work
from schemas.decision import Decision, Outcome, Reason, ReasonCode
from schemas.events import Accepted, AcceptedOutcome, Outgoing, OutgoingType
from schemas.goods import MeasuredSize
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.order import Order
from schemas.problem import FieldProblem
from schemas.station import Station

log = structlog.get_logger(__name__)

Doing = Callable[[Work], Accepted]
LARGE_ORDER_LINES = 6
"""Orders with more lines are decided off the loop, so that a long search holds nobody up."""


@dataclass(frozen=True, slots=True)
class Scan:
    """An order's code was read at a station, by whom, and what a dimension scanner saw."""

    station: Station
    code: str
    measured: MeasuredSize | None
    actor: str
    go_until: float | None = None
    """Monotonic: after this the goods have passed the station and a go would be wrong."""


@dataclass(frozen=True, slots=True)
class Now:
    """What the store knows when an order is scanned."""

    station: Station
    lane_length: int
    measured: MeasuredSize | None
    known_jobs: tuple[JobRow, ...]


class Packer:
    """Turns a scanned order into queued jobs, or into a stated reason for manual packing."""

    def __init__(
        self,
        *,
        room: Room,
        store: Store,
        clock: Clock,
        metrics: Metrics,
        labeller: Labeller,
        serials: Serials,
        wms: WmsClient | None,
    ) -> None:
        self._room = room
        self._store = store
        self._clock = clock
        self._metrics = metrics
        self._labeller = labeller
        self._serials = serials
        self._wms = wms

    async def fetch(self, code: str) -> Order | None:
        """The order that the WMS has under the code; None where it has none."""
        if self._wms is None:
            raise Invalid(
                "The event carries no order, and the site file names no WMS to ask.",
                fields=[FieldProblem(field="data.order", text="missing, and there is no [wms]")],
            )
        try:
            return await self._wms.order(code)
        except OrderNotFound:
            return None

    def look(self, conn: Connection, scan: Scan, order_id: str) -> Now:
        """Read what bears on the decision."""
        station = scan.station
        return Now(
            station=now_at(conn, station),
            lane_length=jobs.lane_length(conn, station.id),
            measured=recall(conn, station.id, scan.code, self._clock.now())
            if station.measures_items
            else None,
            known_jobs=tuple(jobs.of_order(conn, order_id)),
        )

    async def plan(self, incoming: Incoming, scan: Scan, order: Order, now: Now) -> Doing:
        """Prepare what can be prepared outside the transaction; the rest is what is returned."""
        live, done = _in_work(now.known_jobs)
        if live or done:
            return lambda _work: _already(incoming, order, live, done)
        if now.lane_length >= scan.station.max_lane:
            raise _lane_full(scan.station, now.lane_length)
        packed = await self.prepare(
            order,
            now.station,
            scan.code,
            scan.measured or now.measured,
            today=self.today(),
        )
        self._metrics.order(packed.decision.outcome.value)
        return lambda work: _commit(work, incoming, scan, self._in_time(scan, packed))

    def _in_time(self, scan: Scan, packed: Packed) -> Packed:
        """No-go for goods on a conveyor that would be past the station by now."""
        if scan.go_until is None or self._clock.monotonic() <= scan.go_until:
            return packed
        reason = Reason(
            code=ReasonCode.TOO_LATE,
            text=f"Decided too late: {scan.station.id} gives "
            f"{scan.station.decide_within_s:g} s from the read to the go.",
            available=scan.station.decide_within_s,
            unit="s",
        )
        return replace(packed, decision=_refused(packed.decision, reason), labels=())

    def go_until(self, station: Station) -> float | None:
        """Until when a go for goods that are at the infeed now is still right."""
        if station.decide_within_s is None:
            return None
        return self._clock.monotonic() + station.decide_within_s

    def today(self) -> date:
        """The day whose dated rules count."""
        return self._clock.now().date()

    async def prepare(
        self,
        order: Order,
        station: Station,
        code: str,
        measured: MeasuredSize | None,
        *,
        today: date,
        reprint: int = 0,
    ) -> Packed:
        """Decide and label, without touching the store but for serials."""
        if len(order.lines) > LARGE_ORDER_LINES:
            decision = await asyncio.to_thread(
                decide, order, self._room, [station], measured=measured, on=today
            )
        else:
            decision = decide(order, self._room, [station], measured=measured, on=today)
        labels: Sequence[ReadyLabel] = ()
        if decision.outcome is Outcome.PACKED:
            serials = await self._serials.take(self._labeller.needs_serials(order, decision))
            try:
                labels = self._labeller.labels(order, decision, station, serials, reprint=reprint)
            except NoLabel as refused:
                decision = _refused(decision, refused.reason)
        content, digest = order_digest(order)
        return Packed(order, content, digest, code, decision, tuple(labels))


def _in_work(known: Sequence[JobRow]) -> tuple[list[JobRow], list[JobRow]]:
    """Jobs of an order that are live, and those that are done."""
    live = [job for job in known if job.state in LIVE_STATES]
    done = [job for job in known if job.state in (JobState.VERIFIED, JobState.CLOSED)]
    return live, done


def _commit(work: Work, incoming: Incoming, scan: Scan, packed: Packed) -> Accepted:
    """Everything of the order in one step; another gateway may have been quicker."""
    order, station = packed.order, scan.station
    live, done = _in_work(jobs.of_order(work.conn, order.order_id))
    if live or done:
        return _already(incoming, order, live, done)
    length = jobs.lane_length(work.conn, station.id)
    if length >= station.max_lane:
        raise _lane_full(station, length)
    packed = _without_taken_codes(work, packed)
    store_order(work, packed, station.id, incoming.event.id, scan.actor)
    if packed.decision.outcome is Outcome.MANUAL:
        why = to_manual(work, packed, station.id, incoming.event.id, scan.actor)
        text = f"To manual packing. {why}"
        return _accepted(incoming, AcceptedOutcome.MANUAL, text, order)
    parcel_ids = queue_parcels(work, packed, station.id)
    text = f"Order {order.order_id}: {len(parcel_ids)} parcel(s) queued at {station.id}."
    return _accepted(incoming, AcceptedOutcome.QUEUED, text, order, parcel_ids)


def _accepted(
    incoming: Incoming,
    outcome: AcceptedOutcome,
    text: str,
    order: Order | None = None,
    parcel_ids: Sequence[str] = (),
) -> Accepted:
    return Accepted(
        source=incoming.event.source,
        id=incoming.event.id,
        repeated=False,
        outcome=outcome,
        text=text,
        order_id=order.order_id if order else None,
        parcel_ids=tuple(parcel_ids),
        status_url=f"/v1/orders/{order.order_id}" if order else None,
    )


def not_found(work: Work, incoming: Incoming, scan: Scan) -> Accepted:
    """The WMS has no order under the code: said to the person and to whoever listens."""
    text = (
        f"Order not found: the WMS has none under the code {scan.code}. "
        "Check the tote and scan again."
    )
    work.record(
        EntryKind.ORDER_NOT_FOUND,
        actor=scan.actor,
        station=scan.station.id,
        event_id=incoming.event.id,
        code=scan.code,
    )
    work.publish(OutgoingType.ORDER_NOT_FOUND, Outgoing(station=scan.station.id, text=text))
    return _accepted(incoming, AcceptedOutcome.ORDER_NOT_FOUND, text)


def _already(
    incoming: Incoming, order: Order, live: Sequence[JobRow], done: Sequence[JobRow]
) -> Accepted:
    parcel_ids = list(dict.fromkeys(job.parcel_id for job in (*live, *done)))
    if live:
        where = ", ".join(dict.fromkeys(f"{job.state} at {job.station}" for job in live))
        text = f"Order {order.order_id} is in work already ({where}); nothing was printed again."
        return _accepted(incoming, AcceptedOutcome.ALREADY_IN_WORK, text, order, parcel_ids)
    text = f"Order {order.order_id} was packed already; ask for a reprint if its label is lost."
    return _accepted(incoming, AcceptedOutcome.ALREADY_PACKED, text, order, parcel_ids)


def _without_taken_codes(work: Work, packed: Packed) -> Packed:
    """Refuse supplied labels whose code another open order carries: a scan could not tell them.

    Asked in the very step that queues them, so that two at once can't both pass.
    """
    for label in packed.labels:
        for code in label.expected_scans if label.supplied else ():
            other = next(
                (
                    job
                    for job in jobs.carrying(work.conn, code)
                    if job.state in LIVE_STATES and job.order_id != packed.order.order_id
                ),
                None,
            )
            if other is not None:
                reason = Reason(
                    code=ReasonCode.LABEL_REFUSED,
                    text=f"The supplied label's code {code} is on the label of order "
                    f"{other.order_id}, which is still open.",
                )
                return replace(packed, decision=_refused(packed.decision, reason), labels=())
    return packed


def _refused(decision: Decision, reason: Reason) -> Decision:
    return decision.model_copy(
        update={
            "outcome": Outcome.MANUAL,
            "reasons": (*decision.reasons, reason),
            "parcels": (),
        }
    )


def _lane_full(station: Station, length: int) -> LaneFull:
    return LaneFull(
        f"{length} jobs wait at {station.id}; it takes {station.max_lane}. "
        "Scan again later or take the order to another station.",
        retry_after_s=5,
    )
