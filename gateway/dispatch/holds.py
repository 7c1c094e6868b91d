"""Holding a station and letting it go on: by a person, with a reason."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.dispatch.station_moves import move_station
from gateway.errors import NotAllowedNow
from gateway.store import jobs
from gateway.store.jobs import JobRow
from gateway.store.tables import holds
from gateway.store.work import Work
from schemas.job import JobState
from schemas.scan import ScanResult
from schemas.station import StationState


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


def open_at(conn: Connection, stations: Sequence[str]) -> dict[str, HoldRow]:
    """The open hold of each of these stations that is held."""
    query = sa.select(holds).where(holds.c.station.in_(stations), holds.c.released.is_(None))
    return {row.station: _typed(row) for row in conn.execute(query)}


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
    move_station(
        work,
        station,
        StationState.HELD,
        text,
        actor=actor,
        job=job,
        event_id=event_id,
        hold=kind,
        text=text,
    )
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
    in_doubt = (job := jobs.open_job(work.conn, station)) and job.state is JobState.IN_DOUBT
    move_station(
        work,
        station,
        StationState.IN_DOUBT if in_doubt else StationState.READY,
        reason,
        actor=actor,
        job_id=held.job_id,
        hold=held.kind,
        reason=reason,
    )
    return held
