"""A roll, box or film was changed: jobs that are not sent yet are decided again for what is loaded.

An order whose parcels stay as many keeps its jobs, its labels and its place in the lane; only the
bags change. One that now makes other parcels goes to the end of the lane with new labels, and one
that nothing loaded takes goes to manual packing.
"""

from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.dispatch.moves import move
from gateway.dispatch.supply import now_at
from gateway.intake.pack import Packer
from gateway.intake.queueing import Packed, queue_parcels, store_order, to_manual
from gateway.store import jobs, orders
from gateway.store.jobs import JobRow
from gateway.store.store import Store
from gateway.store.tables import WAITING_STATES, parcels
from gateway.store.work import Work
from schemas.decision import Outcome, Parcel
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.order import Order
from schemas.station import Station

_ENDED = (JobState.VOID, JobState.CANCELLED)


@dataclass(frozen=True, slots=True)
class _Waiting:
    order: Order
    code: str
    bags: tuple[str, ...]


async def redecide(
    store: Store, packer: Packer, station: Station, *, today: date, actor: str
) -> int:
    """Decide the station's waiting orders again; how many of them changed."""
    loaded, waiting = await store.read(lambda conn: _look(conn, station))
    changed = 0
    for one in waiting:
        packed = await packer.prepare(one.order, loaded, one.code, None, today=today)
        changed += await store.write(
            lambda work, packed=packed: _apply(work, station, packed, actor)  # type: ignore[misc]
        )
    return changed


def _look(conn: Connection, station: Station) -> tuple[Station, list[_Waiting]]:
    found: dict[str, _Waiting] = {}
    for job in jobs.waiting(conn, station.id):
        if job.order_id in found or not _untouched(jobs.of_order(conn, job.order_id)):
            continue
        row = orders.find(conn, job.order_id)
        if row is not None and row.content is not None:
            bags = tuple(parcel.bag.id for parcel in row.decision.parcels)
            order = Order.model_validate_json(row.content)
            found[job.order_id] = _Waiting(order, row.scan_code, bags)
    return now_at(conn, station), list(found.values())


def _untouched(known: list[JobRow]) -> bool:
    """Whether nothing of the order has been sent: only then may its bags still change."""
    return all(job.state in (*WAITING_STATES, *_ENDED) for job in known)


def _apply(work: Work, station: Station, packed: Packed, actor: str) -> bool:
    order_id = packed.order.order_id
    known = jobs.of_order(work.conn, order_id)
    mine = [job for job in known if job.state in WAITING_STATES]
    if not mine or not _untouched(known):
        return False
    decided = packed.decision
    if decided.outcome is Outcome.PACKED and len(decided.parcels) == len(mine):
        return _change_bags(work, station, mine, decided.parcels, actor)
    for job in mine:
        move(work, job, JobState.CANCELLED, "the bag supply was changed", actor=actor)
    store_order(work, packed, station.id, None, actor)
    if decided.outcome is Outcome.MANUAL:
        to_manual(work, packed, station.id, None, actor)
    else:
        queue_parcels(work, packed, station.id)
    return True


def _change_bags(
    work: Work,
    station: Station,
    mine: list[JobRow],
    decided: tuple[Parcel, ...],
    actor: str,
) -> bool:
    changed = False
    for job, parcel in zip(mine, decided, strict=True):
        before = jobs.parcel_of(work.conn, job.parcel_id)
        if before.bag == parcel.bag:
            continue
        changed = True
        work.conn.execute(
            sa.update(parcels)
            .where(parcels.c.parcel_id == job.parcel_id)
            .values(parcel=parcel.model_dump_json())
        )
        work.record(
            EntryKind.ORDER_DECIDED,
            actor=actor,
            order_id=job.order_id,
            parcel_id=job.parcel_id,
            job_id=job.job_id,
            station=station.id,
            reason="the bag supply was changed",
            was=before.bag.model_dump(mode="json"),
            bag=parcel.bag.model_dump(mode="json"),
            film_area_mm2=parcel.film_area_mm2,
        )
    return changed
