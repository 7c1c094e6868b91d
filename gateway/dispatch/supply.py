"""What a station has loaded now: counted down by job, set at a change."""

from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.store import prepared
from gateway.store.tables import supplies
from gateway.store.work import Work
from schemas.decision import Parcel
from schemas.events import Outgoing, OutgoingType, SupplyChanged
from schemas.ledger import EntryKind
from schemas.station import Load, Station

_LOADS = (
    sa.select(
        supplies.c.bag,
        supplies.c.slot,
        supplies.c.pieces_left,
        supplies.c.metres_left,
        supplies.c.low_at,
        supplies.c.told_low,
    )
    .where(supplies.c.station == sa.bindparam("station"))
    .order_by(supplies.c.slot)
)


def loads_of(conn: Connection, station: str) -> tuple[Load, ...]:
    """The station's supplies as last set and counted."""
    return tuple(
        Load(
            bag=bag,
            slot=slot,
            pieces_left=pieces_left,
            metres_left=metres_left,
            low_at=low_at,
            told_low=told_low,
        )
        for bag, slot, pieces_left, metres_left, low_at, told_low in prepared.rows(
            conn, _LOADS, {"station": station}
        )
    )


def loads_at(conn: Connection, stations: Sequence[str]) -> dict[str, tuple[Load, ...]]:
    """The supplies of each of these stations, as last set and counted."""
    found: dict[str, list[Load]] = {station: [] for station in stations}
    query = sa.select(supplies).where(supplies.c.station.in_(stations)).order_by(supplies.c.slot)
    for row in conn.execute(query):
        found[row.station].append(
            Load(
                bag=row.bag,
                slot=row.slot,
                pieces_left=row.pieces_left,
                metres_left=row.metres_left,
                low_at=row.low_at,
                told_low=row.told_low,
            )
        )
    return {station: tuple(loads) for station, loads in found.items()}


def slot_for(loads: tuple[Load, ...], bag: str) -> Load | None:
    """The supply that a bag is taken from: the first that is not out, else the first at all."""
    having = [load for load in loads if load.bag == bag]
    return next((load for load in having if not _is_out(load)), having[0] if having else None)


def _is_out(load: Load) -> bool:
    return load.pieces_left == 0 or load.metres_left == 0


def now_at(conn: Connection, station: Station) -> Station:
    """The station with what it can make bags of now.

    Bags printed ahead stand on one web: only the first slot counts there, since the size can't
    change from one order to the next.
    """
    loads = loads_of(conn, station.id)
    return station.model_copy(update={"loaded": loads[:1] if station.bags_ahead else loads})


def first_loads(work: Work, station: Station) -> None:
    """Take over the site file's loads where the store knows none yet for that slot."""
    known = {load.slot for load in loads_of(work.conn, station.id)}
    for load in station.loaded:
        if load.slot not in known:
            work.conn.execute(
                sa.insert(supplies).values(
                    station=station.id, changed=work.now, **load.model_dump()
                )
            )


def set_load(work: Work, change: SupplyChanged, actor: str) -> None:
    """A roll, box or film was changed or counted."""
    low_at = work.conn.execute(
        sa.select(supplies.c.low_at).where(
            supplies.c.station == change.station, supplies.c.slot == change.slot
        )
    ).scalar_one_or_none()
    work.conn.execute(
        sa.delete(supplies).where(
            supplies.c.station == change.station, supplies.c.slot == change.slot
        )
    )
    work.conn.execute(
        sa.insert(supplies).values(
            station=change.station,
            slot=change.slot,
            bag=change.bag,
            pieces_left=change.pieces_left,
            metres_left=change.metres_left,
            low_at=low_at,
            changed=work.now,
        )
    )
    work.record(
        EntryKind.SUPPLY_CHANGED,
        actor=actor,
        station=change.station,
        slot=change.slot,
        bag=change.bag,
        pieces_left=change.pieces_left,
        metres_left=change.metres_left,
    )
    work.wake(change.station)


def told_low(work: Work, station: str, detail: str) -> None:
    """The station says that its supply is low: told once, until something is loaded."""
    text = f"The station says that its supply is low. {detail}".strip()
    marked = work.conn.execute(
        sa.update(supplies)
        .where(supplies.c.station == station, supplies.c.told_low.is_(False))
        .values(told_low=True)
    )
    if marked.rowcount or not loads_of(work.conn, station):
        work.record(EntryKind.SUPPLY_LOW, station=station, actor=f"station {station}", text=text)
        work.publish(OutgoingType.SUPPLY_LOW, Outgoing(station=station, text=text))


@dataclass(frozen=True, slots=True)
class _Left:
    before: float
    after: float
    unit: str


def count_down(work: Work, station: Station, parcel: Parcel) -> None:
    """One bag was used. Tells once when the supply becomes low."""
    row = slot_for(loads_of(work.conn, station.id), parcel.bag.id)
    if row is None:
        return
    if row.pieces_left is not None:
        left = _Left(row.pieces_left, max(0, row.pieces_left - 1), "bags")
        values: dict[str, object] = {"pieces_left": int(left.after)}
    elif row.metres_left is not None:
        used_m = parcel.bag.length_mm / 1000
        left = _Left(row.metres_left, max(0.0, row.metres_left - used_m), "m")
        values = {"metres_left": left.after}
    else:
        return
    work.conn.execute(
        sa.update(supplies)
        .where(supplies.c.station == station.id, supplies.c.slot == row.slot)
        .values(**values)
    )
    low_at = row.low_at if row.low_at is not None else 0.0
    if left.before > low_at >= left.after:
        text = f"{parcel.bag.id} in slot {row.slot} is low: {left.after:g} {left.unit} left."
        work.record(EntryKind.SUPPLY_LOW, station=station.id, text=text, slot=row.slot)
        work.publish(
            OutgoingType.SUPPLY_LOW,
            Outgoing(
                station=station.id,
                text=text,
                facts={
                    "slot": row.slot,
                    "bag": parcel.bag.id,
                    "left": left.after,
                    "unit": left.unit,
                },
            ),
        )
