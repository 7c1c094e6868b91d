"""Holding a station and letting it go on: by a person, with a reason."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.errors import NotAllowedNow
from gateway.store.jobs import JobRow
from gateway.store.tables import holds
from gateway.store.work import Work
from schemas.events import Outgoing, OutgoingType
from schemas.ledger import EntryKind
from schemas.scan import ScanResult


@dataclass(frozen=True, slots=True)
class HoldRow:
    """An open hold: why a station stands."""

    hold_id: int
    station: str
    since: datetime
    kind: str
    text: str
    scan: ScanResult | None
    job_id: str | None


_OPEN_AT = sa.select(holds).where(
    holds.c.station == sa.bindparam("station"), holds.c.released.is_(None)
)


def open_of(conn: Connection, station: str) -> HoldRow | None:
    """The station's open hold, if it is held."""
    row = conn.execute(_OPEN_AT, {"station": station}).first()
    return None if row is None else _typed(row)


def open_holds(conn: Connection) -> list[HoldRow]:
    """Every open hold, oldest first."""
    query = sa.select(holds).where(holds.c.released.is_(None)).order_by(holds.c.since)
    return [_typed(row) for row in conn.execute(query)]


def _typed(row: "sa.Row[Any]") -> HoldRow:
    return HoldRow(
        hold_id=row.hold_id,
        station=row.station,
        since=row.since,
        kind=row.kind,
        text=row.text,
        scan=ScanResult.model_validate_json(row.scan) if row.scan else None,
        job_id=row.job_id,
    )


def open_hold(
    work: Work,
    station: str,
    kind: str,
    text: str,
    *,
    job: JobRow | None = None,
    scan: ScanResult | None = None,
    event_id: str | None = None,
    actor: str = "gateway",
) -> bool:
    """Hold the station; False where it is held already, and then the first reason stands."""
    if open_of(work.conn, station) is not None:
        return False
    work.conn.execute(
        sa.insert(holds).values(
            station=station,
            since=work.now,
            kind=kind,
            text=text,
            scan=scan.model_dump_json() if scan else None,
            job_id=job.job_id if job else None,
        )
    )
    work.record(
        EntryKind.STATION_HELD,
        actor=actor,
        station=station,
        order_id=job.order_id if job else None,
        parcel_id=job.parcel_id if job else None,
        job_id=job.job_id if job else None,
        event_id=event_id,
        hold=kind,
        text=text,
    )
    work.publish(OutgoingType.STATION_HELD, Outgoing(station=station, text=text))
    return True


def release(work: Work, station: str, reason: str, actor: str) -> HoldRow:
    """Let the station go on. Raises `NotAllowedNow` where it isn't held."""
    held = open_of(work.conn, station)
    if held is None:
        raise NotAllowedNow(f"Station {station} isn't held.")
    work.conn.execute(
        sa.update(holds)
        .where(holds.c.hold_id == held.hold_id)
        .values(released=work.now, released_by=actor, reason=reason)
    )
    work.record(
        EntryKind.STATION_RELEASED,
        actor=actor,
        station=station,
        job_id=held.job_id,
        hold=held.kind,
        reason=reason,
    )
    work.publish(OutgoingType.STATION_RELEASED, Outgoing(station=station, text=reason))
    work.wake(station)
    return held
