"""Putting a decided order into the store: its record, its parcels, its jobs, or manual packing."""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import JsonValue

from gateway.intake.labelling import ReadyLabel, lines_json
from gateway.store import jobs, orders
from gateway.store.jobs import JobRow, NewJob
from gateway.store.orders import OrderRow, ParcelRow
from gateway.store.work import Work
from schemas.base import Record
from schemas.decision import Decision, Parcel
from schemas.events import Outgoing, OutgoingType
from schemas.ledger import EntryKind
from schemas.order import Order


@dataclass(frozen=True, slots=True)
class Packed:
    """An order with everything that its jobs need."""

    order: Order
    content: bytes
    content_sha256: str
    scan_code: str
    decision: Decision
    labels: tuple[ReadyLabel, ...]


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
        {line.item.sku for line in order.lines},
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
        queue_job(work, order, parcel_id, station, label, parcel=parcel)
    return ids


def queue_job(
    work: Work,
    order: Order,
    parcel_id: str,
    station: str,
    label: ReadyLabel,
    *,
    parcel: Parcel | None = None,
    reprint_of: str | None = None,
    reason: str = "",
    actor: str = "gateway",
    in_place_of: JobRow | None = None,
) -> str:
    """Queue one job with its label; returns the job's id. `parcel` where it is at hand.

    It stands at the lane's end, or in the place of a job of the lane that is void.
    """
    position = work.next_number("lane")
    if in_place_of is not None:
        jobs.place_in_lane(work.conn, in_place_of.job_id, position)
        position = in_place_of.lane_position
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
        position,
        work.now,
    )
    parcel = parcel or jobs.parcel_of(work.conn, parcel_id)
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
        void_share=parcel.void_share,
        binding=parcel.binding,
        lines=lines_json(order, parcel),
        reprint_of=reprint_of,
        reason=reason,
    )
    work.wake(station)
    return job_id


def to_manual(work: Work, packed: Packed, station: str, event_id: str | None, actor: str) -> str:
    """Send the order to manual packing; why, in words."""
    decision = packed.decision
    why = "; ".join(reason.text for reason in decision.reasons) or "No reason was given."
    work.record(
        EntryKind.ORDER_MANUAL,
        actor=actor,
        order_id=packed.order.order_id,
        station=station,
        event_id=event_id,
        reasons=_plain(decision.reasons),
        turned_down=_plain(decision.turned_down),
    )
    work.publish(
        OutgoingType.MANUAL_REQUIRED,
        Outgoing(order_id=packed.order.order_id, station=station, text=why[:500]),
    )
    return why


def _plain(records: Sequence[Record]) -> list[JsonValue]:
    return [record.model_dump(mode="json", exclude_none=True) for record in records]
