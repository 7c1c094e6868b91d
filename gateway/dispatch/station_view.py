"""A station as people see it now, and everything that waits for a person."""

import json
from collections.abc import Callable, Sequence

from sqlalchemy.engine import Connection

from gateway.dispatch import holds
from gateway.dispatch.holds import HoldRow
from gateway.dispatch.lane_view import LaneView
from gateway.dispatch.row import needs_room
from gateway.dispatch.station_state import StationRow, known_states
from gateway.dispatch.supply import loads_at
from gateway.store import jobs
from gateway.store.jobs import JobRow, Lanes
from schemas.job import JobState
from schemas.station import Load, Station, StationState
from schemas.views import HoldView, RowBag, StationView, WaitingJob

LaneOf = Callable[[str], tuple[LaneView, bool]]
"""What a station's lane is doing here, and whether this process sends to it."""

_QUESTIONS = {
    JobState.IN_DOUBT: (
        "Did the label of order {order} come out at {station}?",
        ("printed", "not_printed", "thrown_away"),
    ),
    JobState.REFUSED: (
        "{station} refused the label of order {order}. Send it again?",
        ("send_again", "give_up"),
    ),
    JobState.STALE: (
        "Order {order} waited long at {station}; are its goods still here?",
        ("send_again", "give_up"),
    ),
}


_ROW_FULL = "the bag at the loading position: its label must be scanned first"


def station_view(conn: Connection, station: Station, lane_of: LaneOf) -> StationView:
    """The station now, from the store and from this process's lane."""
    return station_views(conn, (station,), lane_of)[0]


def station_views(
    conn: Connection, stations: Sequence[Station], lane_of: LaneOf
) -> list[StationView]:
    """Each of these stations now; the queries are as many for one as for hundreds."""
    names = [station.id for station in stations]
    held = holds.open_at(conn, names)
    known = known_states(conn, names)
    lanes = jobs.lanes_of(conn, names)
    loads = loads_at(conn, names)
    return [
        _view(
            station,
            lane_of(station.id),
            held.get(station.id),
            known[station.id],
            lanes,
            loads[station.id],
        )
        for station in stations
    ]


def _view(
    station: Station,
    here: tuple[LaneView, bool],
    held: HoldRow | None,
    known: StationRow,
    lanes: Lanes,
    loads: tuple[Load, ...],
) -> StationView:
    lane, sends_here = here
    row = [_bag(job) for job in lanes.rows.get(station.id, ())]
    open_job = lanes.open_jobs.get(station.id)
    length = lanes.lengths.get(station.id, 0)
    is_full = length and row and row[0].position == 0 and needs_room(station)
    full = _ROW_FULL if is_full else ""
    return StationView(
        station=station.id,
        name=station.name,
        machine_state=known.machine_state,
        state_detail=_without_name(known.state_detail, station),
        state=known.state,
        state_since=known.since,
        held=HoldView(since=held.since, kind=held.kind, text=held.text, job_id=held.job_id)
        if held
        else None,
        waits_for=_without_name(
            lane.waits_for or ("" if held else known.waits_for or full), station
        ),
        breaker_open=known.state is StationState.FAULTED,
        sends_here=sends_here,
        signal_refused=lane.signal_refused,
        lane_length=length,
        sending=open_job.job_id if open_job and open_job.state is JobState.SENDING else None,
        in_doubt=open_job.job_id if open_job and open_job.state is JobState.IN_DOUBT else None,
        load_now=row[0] if row and row[0].position == 0 else None,
        row=tuple(row),
        loaded=loads,
        last_scan=json.loads(known.last_scan) if known.last_scan else None,
    )


def _without_name(text: str, station: Station) -> str:
    """Where the station is named already, a fault need not begin with its name."""
    return text.removeprefix(f"station {station.id}: ")


def waiting_jobs(conn: Connection) -> list[WaitingJob]:
    """Jobs that wait for a person, each with one plain question and its answers."""
    return [_question(job) for job in jobs.needing_person(conn)]


def _question(job: JobRow) -> WaitingJob:
    question, answers = _QUESTIONS[job.state]
    return WaitingJob(
        job_id=job.job_id,
        order_id=job.order_id,
        station=job.station,
        state=job.state,
        since=job.changed,
        question=question.format(order=job.order_id, station=job.station),
        answers=answers,
        note=job.note,
    )


def _bag(job: JobRow) -> RowBag:
    assert job.row_position is not None
    return RowBag(
        position=job.row_position,
        job_id=job.job_id,
        order_id=job.order_id,
        parcel_id=job.parcel_id,
        expected_scans=job.expected_scans,
    )
