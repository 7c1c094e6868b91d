"""Jobs in SQL: named queries, typed rows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from typing import Any

import orjson
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.store import prepared
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


COLUMNS = (
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

_NAMES = tuple(column.name for column in COLUMNS)


def typed(columns: tuple[Any, ...]) -> JobRow:
    """The row whose columns are `COLUMNS`."""
    values = dict(zip(_NAMES, columns, strict=True))
    values["state"] = JobState(values["state"])
    values["expected_scans"] = tuple(orjson.loads(values["expected_scans"]))
    return JobRow(**values)


_P = sa.bindparam
_ONE = sa.select(*COLUMNS).where(jobs.c.job_id == _P("job_id"))
_OF_ORDER = (
    sa.select(*COLUMNS)
    .where(jobs.c.order_id == _P("order_id"))
    .order_by(jobs.c.created, jobs.c.lane_position)
)
_OF_PARCEL = (
    sa.select(*COLUMNS)
    .where(jobs.c.parcel_id == _P("parcel_id"))
    .order_by(jobs.c.created, jobs.c.lane_position)
)
_CARRYING = (
    sa.select(*COLUMNS)
    .join(codes, codes.c.job_id == jobs.c.job_id)
    .where(codes.c.code == _P("code"))
    .order_by(jobs.c.created.desc())
    .limit(50)
)
_AT = jobs.c.station == _P("station")
_DONE_STATES = (JobState.VERIFIED, JobState.CLOSED, JobState.VOID, JobState.CANCELLED)


def _in(*states: JobState) -> "sa.ColumnElement[bool]":
    """Written out, so that the partial indexes fit."""
    return jobs.c.state.in_([sa.literal_column(f"'{state}'") for state in states])


_IN_LANE = jobs.c.lane_position + sa.literal_column("0")
"""Written as a sum, so that SQLite finds the few that wait by their state and sorts them, and does
not walk the lane from the first job that it ever had."""

OPEN = _in(*OPEN_STATES)
QUEUED = _in(JobState.QUEUED)
FIRST_QUEUED = (
    sa.select(jobs.c.job_id)
    .where(_AT, QUEUED)
    .order_by(_IN_LANE)
    .limit(1)
    .correlate(None)
    .scalar_subquery()
)
"""The job of the lane of `station` that is to be sent first."""

_OPEN = sa.select(*COLUMNS).where(_AT, OPEN)
_WAITING = sa.select(*COLUMNS).where(_AT, _in(*WAITING_STATES)).order_by(_IN_LANE)
_LENGTH = sa.select(sa.func.count()).select_from(jobs).where(_AT, _in(*WAITING_STATES))
_ROW = (
    sa.select(*COLUMNS).where(_AT, jobs.c.row_position.is_not(None)).order_by(jobs.c.row_position)
)
_LAST_VERIFIED = (
    sa.select(jobs.c.job_id)
    .where(_AT, _in(JobState.VERIFIED))
    .order_by(jobs.c.changed.desc(), jobs.c.lane_position.desc())
    .limit(1)
)
_NEEDING_PERSON = sa.select(*COLUMNS).where(
    # the first as the partial index of live jobs states it: without it every job is read
    jobs.c.state.not_in([sa.literal_column(f"'{state}'") for state in _DONE_STATES]),
    _in(JobState.IN_DOUBT, JobState.REFUSED, JobState.STALE),
)
_INSERT = sa.insert(jobs)
_INSERT_CODES = sa.insert(codes)
_PLACE = sa.update(jobs).where(jobs.c.job_id == _P("of_job")).values(row_position=_P("position"))
_LABEL = sa.select(labels.c.language, labels.c.content).where(labels.c.sha256 == _P("sha256"))
_PARCEL = sa.select(parcels.c.parcel).where(parcels.c.parcel_id == _P("parcel_id"))


def _all(conn: Connection, query: "sa.Select[Any]", **values: str) -> list[JobRow]:
    return [typed(columns) for columns in prepared.rows(conn, query, values)]


def find(conn: Connection, job_id: str) -> JobRow | None:
    """The job of that id."""
    found = _all(conn, _ONE, job_id=job_id)
    return found[0] if found else None


def of_order(conn: Connection, order_id: str) -> list[JobRow]:
    """Every job of an order, oldest first."""
    return _all(conn, _OF_ORDER, order_id=order_id)


def of_parcel(conn: Connection, parcel_id: str) -> list[JobRow]:
    """Every job of a parcel, oldest first."""
    return _all(conn, _OF_PARCEL, parcel_id=parcel_id)


def carrying(conn: Connection, code: str) -> list[JobRow]:
    """Every job whose label carries the code, live ones first, then newest first."""
    return sorted(_all(conn, _CARRYING, code=code), key=lambda job: job.state not in LIVE_STATES)


def open_job(conn: Connection, station: str) -> JobRow | None:
    """The one job of the lane that is being sent or is in doubt."""
    found = _all(conn, _OPEN, station=station)
    return found[0] if found else None


def waiting(conn: Connection, station: str) -> list[JobRow]:
    """Jobs of the lane that are not sent yet, in the order in which they will be."""
    return _all(conn, _WAITING, station=station)


def lane_length(conn: Connection, station: str) -> int:
    """How many jobs of the lane are not sent yet."""
    (length,) = prepared.rows(conn, _LENGTH, {"station": station})[0]
    return int(length)


def row_of(conn: Connection, station: str) -> list[JobRow]:
    """The row of printed bags, the one nearest to loading first."""
    return _all(conn, _ROW, station=station)


@dataclass(frozen=True, slots=True)
class Lanes:
    """What stands at several stations, by station; one that has none of it is absent."""

    rows: Mapping[str, list[JobRow]]
    open_jobs: Mapping[str, JobRow]
    lengths: Mapping[str, int]


def lanes_of(conn: Connection, stations: Sequence[str]) -> Lanes:
    """Row, open job and length of every lane, in three queries however many there are."""
    here = jobs.c.station.in_(stations)
    rows: dict[str, list[JobRow]] = {}
    in_row = sa.select(*COLUMNS).where(here, jobs.c.row_position.is_not(None))
    for found in conn.execute(in_row.order_by(jobs.c.station, jobs.c.row_position)):
        rows.setdefault(found.station, []).append(typed(tuple(found)))
    open_jobs = conn.execute(sa.select(*COLUMNS).where(here, _in(*OPEN_STATES)))
    lengths = conn.execute(
        sa.select(jobs.c.station, sa.func.count().label("length"))
        .where(here, _in(*WAITING_STATES))
        .group_by(jobs.c.station)
    )
    return Lanes(
        rows,
        {found.station: typed(tuple(found)) for found in open_jobs},
        {found.station: found.length for found in lengths},
    )


def last_verified(conn: Connection, station: str) -> str | None:
    """The job that was verified at the station last."""
    found = prepared.row(conn, _LAST_VERIFIED, {"station": station})
    return None if found is None else str(found[0])


def needing_person(conn: Connection) -> list[JobRow]:
    """Jobs that wait for a person's answer, oldest first."""
    return sorted(_all(conn, _NEEDING_PERSON), key=lambda job: job.changed)


def insert(conn: Connection, new: NewJob, lane_position: int, now: datetime) -> None:
    """Put a job at the end of its lane, with the codes that its label carries."""
    prepared.run(
        conn,
        _INSERT,
        {
            "job_id": new.job_id,
            "order_id": new.order_id,
            "parcel_id": new.parcel_id,
            "station": new.station,
            "state": JobState.QUEUED,
            "lane_position": lane_position,
            "label_sha256": new.label_sha256,
            "sscc": new.sscc,
            "expected_scans": orjson.dumps(new.expected_scans).decode(),
            "reprint_of": new.reprint_of,
            "created": now,
            "waits_since": now,
            "changed": now,
        },
    )
    distinct = dict.fromkeys(new.expected_scans)
    if distinct:
        rows = [{"code": code, "job_id": new.job_id} for code in distinct]
        prepared.run_for_each(conn, _INSERT_CODES, rows)


@cache
def _change(columns: tuple[str, ...]) -> "sa.Update":
    return (
        sa.update(jobs)
        .where(jobs.c.job_id == _P("of_job"), jobs.c.state == _P("from_state"))
        .values({column: _P(f"new_{column}") for column in columns})
    )


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
) -> JobRow | None:
    """Set the state if it is still what `job` says; the job as it is then, or nothing."""
    values: dict[str, Any] = {"state": state, "changed": now}
    if state not in IN_ROW_STATES:
        values["row_position"] = None
    if waits_anew:
        values["waits_since"] = now
    if attempt is not None:
        values["attempt"] = attempt
        values["count_before"] = count_before
    if note is not None:
        values["note"] = note
    changed = prepared.run(
        conn,
        _change(tuple(values)),
        {
            "of_job": job.job_id,
            "from_state": job.state,
            **{f"new_{column}": value for column, value in values.items()},
        },
    )
    return replace(job, **values) if changed == 1 else None


def place_in_lane(conn: Connection, job_id: str, position: int) -> None:
    """Set a job's place in its lane, which no other job may have."""
    conn.execute(sa.update(jobs).where(jobs.c.job_id == job_id).values(lane_position=position))


def place_in_row(conn: Connection, job_id: str, position: int | None) -> None:
    """Set a job's place in the row of printed bags."""
    prepared.run(conn, _PLACE, {"of_job": job_id, "position": position})


def label_of(conn: Connection, sha256: str) -> tuple[str, bytes | None] | None:
    """Language and bytes of a label; the bytes are gone once erased."""
    found = prepared.row(conn, _LABEL, {"sha256": sha256})
    return None if found is None else (found[0], found[1])


def parcel_of(conn: Connection, parcel_id: str) -> Parcel:
    """The parcel as it was decided."""
    ((parcel,),) = prepared.rows(conn, _PARCEL, {"parcel_id": parcel_id})
    return Parcel.model_validate_json(parcel)


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
