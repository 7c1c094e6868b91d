"""The story of one order, put together from the store and the ledger."""

from sqlalchemy.engine import Connection

from gateway.errors import NotFound
from gateway.ledger import entries
from gateway.store import jobs, orders
from gateway.store.orders import ParcelRow
from schemas.job import JobState
from schemas.ledger import EntryKind, LedgerEntry
from schemas.views import OrderStory, ParcelView


def order_story(conn: Connection, order_id: str) -> OrderStory:
    """Scanned, decided and why, labels, every attempt, verified by whom and when.

    Raises `NotFound`.
    """
    order = orders.find(conn, order_id)
    if order is None:
        raise NotFound(f"There is no order {order_id!r}.")
    told = entries.of_order(conn, order_id)
    return OrderStory(
        order_id=order.order_id,
        scan_code=order.scan_code,
        station=order.station,
        received=order.received,
        content_sha256=order.content_sha256,
        erased=order.content is None,
        decision=order.decision,
        parcels=tuple(_parcel(conn, row, told) for row in orders.parcels_of(conn, order_id)),
        entries=tuple(told),
    )


def parcel_view(conn: Connection, parcel_id: str) -> ParcelView:
    """A parcel with its jobs. Raises `NotFound`."""
    row = orders.find_parcel(conn, parcel_id)
    if row is None:
        raise NotFound(f"There is no parcel {parcel_id!r}.")
    return _parcel(conn, row, entries.of_order(conn, row.order_id))


def _parcel(conn: Connection, row: ParcelRow, told: list[LedgerEntry]) -> ParcelView:
    mine = jobs.of_parcel(conn, row.parcel_id)
    verified = [
        entry
        for entry in told
        if entry.kind is EntryKind.JOB_MOVED
        and entry.parcel_id == row.parcel_id
        and entry.data.get("to") == JobState.VERIFIED.value
    ]
    stands = any(job.state is JobState.VERIFIED for job in mine)
    return ParcelView(
        parcel_id=row.parcel_id,
        order_id=row.order_id,
        number=row.number,
        of=row.of,
        jobs=tuple(jobs.public(conn, mine)),
        verified_by=verified[-1].actor if verified and stands else None,
        verified_at=verified[-1].time if verified and stands else None,
    )
