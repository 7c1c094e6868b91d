"""An order was scanned: get it, decide its bags, make its labels, queue its jobs."""

import asyncio
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

import structlog
from pydantic import JsonValue
from sqlalchemy.engine import Connection

from gateway.clock import Clock
from gateway.dispatch.supply import now_at
from gateway.errors import Invalid, LaneFull
from gateway.fit import Room, decide
from gateway.intake.envelope import Incoming
from gateway.intake.labelling import Labeller, NoLabel, ReadyLabel, lines_json, order_digest
from gateway.intake.measure import recall
from gateway.intake.serials import Serials
from gateway.intake.wms import OrderNotFound, WmsClient
from gateway.metrics import Metrics
from gateway.store import jobs, orders
from gateway.store.jobs import JobRow, NewJob
from gateway.store.orders import OrderRow, ParcelRow
from gateway.store.store import Store
from gateway.store.tables import LIVE_STATES
from gateway.store.work import Work
from schemas.base import Record
from schemas.decision import Decision, Outcome, Reason
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


@dataclass(frozen=True, slots=True)
class Now:
    """What the store knows when an order is scanned."""

    station: Station
    lane_length: int
    measured: MeasuredSize | None
    known_jobs: tuple[JobRow, ...]


@dataclass(frozen=True, slots=True)
class Packed:
    """An order with everything that its jobs need."""

    order: Order
    content: bytes
    content_sha256: str
    scan_code: str
    decision: Decision
    labels: tuple[ReadyLabel, ...]


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
            measured=recall(conn, station.id, scan.code) if station.measures_items else None,
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
            today=self._clock.now().date(),
        )
        self._metrics.order(packed.decision.outcome.value)
        return lambda work: _commit(work, incoming, scan, packed)

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
                decision = _to_manual(decision, refused.reason)
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
    store_order(work, packed, station.id, incoming.event.id, scan.actor)
    if packed.decision.outcome is Outcome.MANUAL:
        return _manual(work, incoming, scan, packed)
    parcel_ids = queue_parcels(work, packed, station.id)
    text = f"Order {order.order_id}: {len(parcel_ids)} parcel(s) queued at {station.id}."
    return _accepted(incoming, AcceptedOutcome.QUEUED, text, order, parcel_ids)


def store_order(work: Work, packed: Packed, station: str, event_id: str | None, actor: str) -> None:
    """Keep the order and its decision, with their ledger entries."""
    order, decision = packed.order, packed.decision
    orders.put(
        work.conn,
        OrderRow(
            order_id=order.order_id,
            scan_code=packed.scan_code,
            received=work.now,
            changed=work.now,
            station=station,
            outcome=decision.outcome,
            content_sha256=packed.content_sha256,
            content=packed.content,
            decision=decision,
        ),
    )
    work.record(
        EntryKind.ORDER_RECEIVED,
        actor=actor,
        order_id=order.order_id,
        station=station,
        event_id=event_id,
        content_sha256=packed.content_sha256,
        lines=len(order.lines),
        pieces=sum(line.quantity for line in order.lines),
    )
    for dispute in decision.disputed:
        facts = dispute.model_dump(mode="json")
        work.record(EntryKind.SIZE_DISPUTED, order_id=order.order_id, station=station, **facts)
        work.publish(
            OutgoingType.SIZE_DISPUTED,
            Outgoing(order_id=order.order_id, station=station, facts=facts),
        )


def queue_parcels(work: Work, packed: Packed, station: str) -> list[str]:
    """Put each parcel of a decided order at the end of the lane."""
    order, decision = packed.order, packed.decision
    work.record(
        EntryKind.ORDER_DECIDED,
        order_id=order.order_id,
        station=station,
        parcels=len(decision.parcels),
        lower_bound_film_area_mm2=decision.lower_bound_film_area_mm2,
        turned_down=_plain(decision.turned_down),
        warnings=list(decision.warnings),
    )
    work.publish(
        OutgoingType.ORDER_DECIDED,
        Outgoing(
            order_id=order.order_id, station=station, facts={"parcels": len(decision.parcels)}
        ),
    )
    ids: list[str] = []
    for number, (parcel, label) in enumerate(
        zip(decision.parcels, packed.labels, strict=True), start=1
    ):
        parcel_id = f"p-{secrets.token_hex(8)}"
        ids.append(parcel_id)
        orders.put_parcel(
            work.conn,
            ParcelRow(parcel_id, order.order_id, number, len(decision.parcels), parcel, work.now),
        )
        queue_job(work, order, parcel_id, station, label)
    return ids


def queue_job(
    work: Work,
    order: Order,
    parcel_id: str,
    station: str,
    label: ReadyLabel,
    *,
    reprint_of: str | None = None,
    reason: str = "",
    actor: str = "gateway",
) -> str:
    """Queue one job with its label; returns the job's id."""
    job_id = f"j-{secrets.token_hex(8)}"
    orders.put_label(work.conn, label.sha256, label.language, label.content, work.now)
    jobs.insert(
        work.conn,
        NewJob(
            job_id=job_id,
            order_id=order.order_id,
            parcel_id=parcel_id,
            station=station,
            label_sha256=label.sha256,
            sscc=label.sscc,
            expected_scans=label.expected_scans,
            reprint_of=reprint_of,
        ),
        work.next_number("lane"),
        work.now,
    )
    parcel = jobs.parcel_of(work.conn, parcel_id)
    work.record(
        EntryKind.JOB_CREATED,
        actor=actor,
        order_id=order.order_id,
        parcel_id=parcel_id,
        job_id=job_id,
        station=station,
        sscc=label.sscc,
        label_sha256=label.sha256,
        language=label.language,
        supplied=label.supplied,
        expected_scans=list(label.expected_scans),
        bag=parcel.bag.model_dump(mode="json"),
        needed_width_mm=parcel.needed_width_mm,
        needed_length_mm=parcel.needed_length_mm,
        film_area_mm2=parcel.film_area_mm2,
        film_mass_g=parcel.film_mass_g,
        binding=parcel.binding,
        lines=lines_json(order, parcel),
        reprint_of=reprint_of,
        reason=reason,
    )
    work.wake(station)
    return job_id


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


def _manual(work: Work, incoming: Incoming, scan: Scan, packed: Packed) -> Accepted:
    decision = packed.decision
    why = " ".join(reason.text for reason in decision.reasons) or "No reason was given."
    work.record(
        EntryKind.ORDER_MANUAL,
        actor=scan.actor,
        order_id=packed.order.order_id,
        station=scan.station.id,
        event_id=incoming.event.id,
        reasons=_plain(decision.reasons),
        turned_down=_plain(decision.turned_down),
    )
    work.publish(
        OutgoingType.MANUAL_REQUIRED,
        Outgoing(order_id=packed.order.order_id, station=scan.station.id, text=why[:500]),
    )
    return _accepted(incoming, AcceptedOutcome.MANUAL, f"To manual packing. {why}", packed.order)


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


def _plain(records: Sequence[Record]) -> list[JsonValue]:
    return [record.model_dump(mode="json", exclude_none=True) for record in records]


def _to_manual(decision: Decision, reason: Reason) -> Decision:
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
