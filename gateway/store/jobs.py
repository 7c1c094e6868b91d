"""Jobs in SQL: named queries, typed rows."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from gateway.store.tables import (
    IN_ROW_STATES,
    LIVE_STATES,
    OPEN_STATES,
    WAITING_STATES,
    codes,
    jobs,
    labels,
    parcels,
)
from schemas.decision import Parcel
from schemas.job import JobState, LabelJob


@dataclass(frozen=True, slots=True)
class JobRow:
    """A job as it is stored."""

    job_id: str
    order_id: str
    parcel_id: str
    station: str
    state: JobState
    lane_position: int
    attempt: int
    count_before: int | None
    label_sha256: str
    sscc: str | None
    expected_scans: tuple[str, ...]
    reprint_of: str | None
    row_position: int | None
    created: datetime
    waits_since: datetime
    changed: datetime
    note: str


@dataclass(frozen=True, slots=True)
class NewJob:
    """A job to be put at the end of its lane."""

    job_id: str
    order_id: str
    parcel_id: str
    station: str
    label_sha256: str
    sscc: str | None
    expected_scans: tuple[str, ...]
    reprint_of: str | None = None


_COLUMNS = (
    jobs.c.job_id,
    jobs.c.order_id,
    jobs.c.parcel_id,
    jobs.c.station,
    jobs.c.state,
    jobs.c.lane_position,
    jobs.c.attempt,
    jobs.c.count_before,
    jobs.c.label_sha256,
    jobs.c.sscc,
    jobs.c.expected_scans,
    jobs.c.reprint_of,
    jobs.c.row_position,
    jobs.c.created,
    jobs.c.waits_since,
    jobs.c.changed,
    jobs.c.note,
)


def _typed(row: Row[*tuple[Any, ...]]) -> JobRow:
    values = row._mapping
    return JobRow(
        **{
            **values,
            "state": JobState(values["state"]),
            "expected_scans": tuple(json.loads(values["expected_scans"])),
        }
    )


def _all(conn: Connection, query: "sa.Select[Any]") -> list[JobRow]:
    return [_typed(row) for row in conn.execute(query)]


def find(conn: Connection, job_id: str) -> JobRow | None:
    """The job of that id."""
    row = conn.execute(sa.select(*_COLUMNS).where(jobs.c.job_id == job_id)).one_or_none()
    return None if row is None else _typed(row)


def of_order(conn: Connection, order_id: str) -> list[JobRow]:
    """Every job of an order, oldest first."""
    return _all(
        conn,
        sa.select(*_COLUMNS)
        .where(jobs.c.order_id == order_id)
        .order_by(jobs.c.created, jobs.c.lane_position),
    )


def of_parcel(conn: Connection, parcel_id: str) -> list[JobRow]:
    """Every job of a parcel, oldest first."""
    return _all(
        conn,
        sa.select(*_COLUMNS)
        .where(jobs.c.parcel_id == parcel_id)
        .order_by(jobs.c.created, jobs.c.lane_position),
    )


def carrying(conn: Connection, code: str) -> list[JobRow]:
    """Every job whose label carries the code, live ones first, then newest first."""
    found = _all(
        conn,
        sa.select(*_COLUMNS)
        .join(codes, codes.c.job_id == jobs.c.job_id)
        .where(codes.c.code == code)
        .order_by(jobs.c.created.desc())
        .limit(50),
    )
    return sorted(found, key=lambda job: job.state not in LIVE_STATES)


def open_job(conn: Connection, station: str) -> JobRow | None:
    """The one job of the lane that is being sent or is in doubt."""
    found = _all(
        conn,
        sa.select(*_COLUMNS).where(jobs.c.station == station, jobs.c.state.in_(OPEN_STATES)),
    )
    return found[0] if found else None


def next_waiting(conn: Connection, station: str) -> JobRow | None:
    """The queued job that is to be sent first."""
    found = _all(
        conn,
        sa.select(*_COLUMNS)
        .where(jobs.c.station == station, jobs.c.state == JobState.QUEUED)
        .order_by(jobs.c.lane_position)
        .limit(1),
    )
    return found[0] if found else None


def waiting(conn: Connection, station: str) -> list[JobRow]:
    """Jobs of the lane that are not sent yet, in the order in which they will be."""
    return _all(
        conn,
        sa.select(*_COLUMNS)
        .where(jobs.c.station == station, jobs.c.state.in_(WAITING_STATES))
        .order_by(jobs.c.lane_position),
    )


def lane_length(conn: Connection, station: str) -> int:
    """How many jobs of the lane are not sent yet."""
    return conn.execute(
        sa.select(sa.func.count())
        .select_from(jobs)
        .where(jobs.c.station == station, jobs.c.state.in_(WAITING_STATES))
    ).scalar_one()


def row_of(conn: Connection, station: str) -> list[JobRow]:
    """The row of printed bags, the one nearest to loading first."""
    return _all(
        conn,
        sa.select(*_COLUMNS)
        .where(jobs.c.station == station, jobs.c.row_position.is_not(None))
        .order_by(jobs.c.row_position),
    )


def last_verified(conn: Connection, station: str) -> str | None:
    """The job that was verified at the station last."""
    return conn.execute(
        sa.select(jobs.c.job_id)
        .where(jobs.c.station == station, jobs.c.state == JobState.VERIFIED)
        .order_by(jobs.c.changed.desc(), jobs.c.lane_position.desc())
        .limit(1)
    ).scalar_one_or_none()


def needing_person(conn: Connection) -> list[JobRow]:
    """Jobs that wait for a person's answer, oldest first."""
    return _all(
        conn,
        sa.select(*_COLUMNS)
        .where(jobs.c.state.in_((JobState.IN_DOUBT, JobState.REFUSED, JobState.STALE)))
        .order_by(jobs.c.changed),
    )


def insert(conn: Connection, new: NewJob, lane_position: int, now: datetime) -> None:
    """Put a job at the end of its lane, with the codes that its label carries."""
    conn.execute(
        sa.insert(jobs).values(
            job_id=new.job_id,
            order_id=new.order_id,
            parcel_id=new.parcel_id,
            station=new.station,
            state=JobState.QUEUED,
            lane_position=lane_position,
            label_sha256=new.label_sha256,
            sscc=new.sscc,
            expected_scans=json.dumps(new.expected_scans),
            reprint_of=new.reprint_of,
            created=now,
            waits_since=now,
            changed=now,
        )
    )
    distinct = dict.fromkeys(new.expected_scans)
    if distinct:
        conn.execute(sa.insert(codes), [{"code": code, "job_id": new.job_id} for code in distinct])


def change(
    conn: Connection,
    job: JobRow,
    state: JobState,
    now: datetime,
    *,
    attempt: int | None = None,
    count_before: int | None = None,
    note: str | None = None,
    waits_anew: bool = False,
) -> bool:
    """Set the state if it is still what `job` says; whether it was."""
    values: dict[str, object] = {"state": state, "changed": now}
    if state not in IN_ROW_STATES:
        values["row_position"] = None
    if waits_anew:
        values["waits_since"] = now
    if attempt is not None:
        values["attempt"] = attempt
        values["count_before"] = count_before
    if note is not None:
        values["note"] = note
    changed = conn.execute(
        sa.update(jobs)
        .where(jobs.c.job_id == job.job_id, jobs.c.state == job.state)
        .values(**values)
    )
    return changed.rowcount == 1


def place_in_row(conn: Connection, job_id: str, position: int | None) -> None:
    """Set a job's place in the row of printed bags."""
    conn.execute(sa.update(jobs).where(jobs.c.job_id == job_id).values(row_position=position))


def label_of(conn: Connection, sha256: str) -> tuple[str, bytes | None] | None:
    """Language and bytes of a label; the bytes are gone once erased."""
    row = conn.execute(
        sa.select(labels.c.language, labels.c.content).where(labels.c.sha256 == sha256)
    ).one_or_none()
    return None if row is None else (row.language, row.content)


def parcel_of(conn: Connection, parcel_id: str) -> Parcel:
    """The parcel as it was decided."""
    return Parcel.model_validate_json(
        conn.execute(
            sa.select(parcels.c.parcel).where(parcels.c.parcel_id == parcel_id)
        ).scalar_one()
    )


def public(conn: Connection, rows: Sequence[JobRow]) -> list[LabelJob]:
    """Jobs as the API shows them."""
    return [
        LabelJob(
            job_id=row.job_id,
            order_id=row.order_id,
            parcel_id=row.parcel_id,
            station=row.station,
            state=row.state,
            lane_position=row.lane_position,
            attempt=row.attempt,
            label_sha256=row.label_sha256,
            expected_scans=row.expected_scans,
            parcel=parcel_of(conn, row.parcel_id),
            reprint_of=row.reprint_of,
            row_position=row.row_position,
            created=row.created,
            changed=row.changed,
            note=row.note,
        )
        for row in rows
    ]
