"""What a lane looks at before it takes a job, in two queries: how it stands, and what is next."""

from dataclasses import dataclass

import orjson
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.store import jobs, prepared
from gateway.store.jobs import JobRow
from gateway.store.tables import jobs as jobs_table
from gateway.store.tables import labels, lanes, parcels, stations
from schemas.job import JobState
from schemas.order import LabelLanguage
from schemas.station import StationState

_P = sa.bindparam
_HERE = jobs_table.c.station == _P("station")
_LANE = (
    sa.select(
        lanes.c.owner,
        lanes.c.epoch,
        stations.c.state,
        sa.select(jobs_table.c.state).where(_HERE, jobs.OPEN).scalar_subquery().label("open"),
        sa.exists().where(_HERE, jobs_table.c.row_position == 0).label("head"),
        sa.exists().where(_HERE, jobs.QUEUED).label("waits"),
        stations.c.told_to_hold,
    )
    .select_from(lanes.outerjoin(stations, stations.c.station == lanes.c.station))
    .where(lanes.c.station == _P("station"))
)
_NEXT = (
    sa.select(*jobs.COLUMNS, labels.c.language, labels.c.content, parcels.c.parcel)
    .join(labels, labels.c.sha256 == jobs_table.c.label_sha256)
    .join(parcels, parcels.c.parcel_id == jobs_table.c.parcel_id)
    .where(jobs_table.c.job_id == jobs.FIRST_QUEUED)
)


@dataclass(frozen=True, slots=True)
class LaneAt:
    """How a lane stands."""

    owner: str | None
    epoch: int
    state: StationState
    open_state: JobState | None
    """Of its one job that is being sent or is in doubt."""
    head_taken: bool
    """A printed bag stands at the loading position."""
    waits: bool
    """A job waits to be sent."""
    told_to_hold: bool
    """Its machine was told to hold, and not yet that it may go on."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """The job that is to be sent next, with its label and its bag; no label once it was erased."""

    job: JobRow
    language: LabelLanguage
    label: bytes | None
    bag: str
    width_mm: float
    length_mm: float


def lane_at(conn: Connection, station: str) -> LaneAt:
    """How the lane stands now. One that nobody ever leased has no owner."""
    found = prepared.row(conn, _LANE, {"station": station})
    if found is None:
        return LaneAt(
            None, 0, StationState.READY, None, head_taken=False, waits=False, told_to_hold=False
        )
    owner, epoch, state, open_state, head, waits, told_to_hold = found
    return LaneAt(
        owner,
        epoch,
        StationState.READY if state is None else StationState(state),
        None if open_state is None else JobState(open_state),
        head_taken=bool(head),
        waits=bool(waits),
        told_to_hold=bool(told_to_hold),
    )


def next_waiting(conn: Connection, station: str) -> Waiting | None:
    """The queued job that is to be sent first, with what is sent."""
    found = prepared.row(conn, _NEXT, {"station": station})
    if found is None:
        return None
    *columns, language, label, parcel = found
    bag = orjson.loads(parcel)["bag"]
    return Waiting(
        jobs.typed(tuple(columns)),
        LabelLanguage(language),
        label,
        bag["id"],
        bag["width_mm"],
        bag["length_mm"],
    )
