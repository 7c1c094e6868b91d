"""The row of printed bags between the print position and the loading position of a station.

Position 0 is where goods are loaded; a bag is printed at position `bags_ahead`. The row moves by
one when a bag is printed, and by what the station reports as advanced without a print.
"""

from pydantic import JsonValue

from gateway.dispatch.holds import open_hold
from gateway.dispatch.moves import move
from gateway.errors import NotAllowedNow
from gateway.store import jobs
from gateway.store.jobs import JobRow
from gateway.store.work import Work
from schemas.events import Outgoing, OutgoingType
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.station import Station, Verify


def needs_room(station: Station) -> bool:
    """Whether the loading position must be free before one more bag is printed."""
    return station.verify is Verify.REQUIRED


def enter(work: Work, job: JobRow, station: Station) -> None:
    """A bag was printed: the row moves by one and the new bag stands at the print position."""
    if job.row_position is not None:
        return
    _shift(work, station, jobs.row_of(work.conn, station.id), 1, "printed")
    jobs.place_in_row(work.conn, job.job_id, station.bags_ahead)
    tell_load_now(work, station)


def advance(work: Work, station: Station, steps: int) -> None:
    """The station moved its bags on without printing."""
    row = jobs.row_of(work.conn, station.id)
    _shift(work, station, row, steps, "advanced")
    work.record(EntryKind.ROW_CHANGED, station=station.id, steps=steps, row=_names(work, station))
    tell_load_now(work, station)
    work.wake(station.id)


def pull(work: Work, station: Station, position: int, reason: str, actor: str) -> JobRow:
    """A printed bag was taken out: it is void, and those behind it move up by one.

    Raises `NotAllowedNow` when no printed bag stands at that position.
    """
    row = jobs.row_of(work.conn, station.id)
    pulled = next((job for job in row if job.row_position == position), None)
    if pulled is None:
        at = ", ".join(f"{job.row_position}: order {job.order_id}" for job in row) or "none"
        raise NotAllowedNow(
            f"No printed bag stands at position {position} of {station.id}. Printed bags: {at}."
        )
    move(work, pulled, JobState.VOID, f"bag pulled: {reason}", actor=actor)
    for job in row:
        if job.row_position is not None and job.row_position > position:
            jobs.place_in_row(work.conn, job.job_id, job.row_position - 1)
    work.record(
        EntryKind.ROW_CHANGED,
        actor=actor,
        station=station.id,
        order_id=pulled.order_id,
        job_id=pulled.job_id,
        parcel_id=pulled.parcel_id,
        pulled_from=position,
        row=_names(work, station),
    )
    tell_load_now(work, station)
    return pulled


def sealed(work: Work, station: Station, job_id: str | None) -> None:
    """A bag was sealed: where no scan is needed, its job is closed."""
    row = jobs.row_of(work.conn, station.id)
    found = jobs.find(work.conn, job_id) if job_id else (row[0] if row else None)
    if found is None or found.station != station.id:
        return
    work.record(
        EntryKind.ROW_CHANGED,
        order_id=found.order_id,
        parcel_id=found.parcel_id,
        job_id=found.job_id,
        station=station.id,
        sealed=True,
    )
    in_row = found.state in (JobState.SENT, JobState.PRINTED)
    if in_row and station.verify is not Verify.REQUIRED:
        move(work, found, JobState.CLOSED, "the station sealed the bag")


def tell_load_now(work: Work, station: Station) -> None:
    """Publish which order's goods belong into the bag at the loading position."""
    row = jobs.row_of(work.conn, station.id)
    head = row[0] if row and row[0].row_position == 0 else None
    work.publish(
        OutgoingType.LOAD_NOW,
        Outgoing(
            station=station.id,
            order_id=head.order_id if head else None,
            parcel_id=head.parcel_id if head else None,
            job_id=head.job_id if head else None,
        ),
    )


def _shift(work: Work, station: Station, row: list[JobRow], steps: int, why: str) -> None:
    for job in row:
        assert job.row_position is not None
        to = job.row_position - steps
        if to >= 0:
            jobs.place_in_row(work.conn, job.job_id, to)
        elif station.verify is Verify.REQUIRED:
            jobs.place_in_row(work.conn, job.job_id, None)
            open_hold(
                work,
                station.id,
                "left_unscanned",
                f"The bag of order {job.order_id} left the loading position without a verifying "
                "scan. Find it and scan its label, or void it.",
                job=job,
            )
        else:
            move(work, job, JobState.CLOSED, f"the row {why} and the bag left")


def _names(work: Work, station: Station) -> list[JsonValue]:
    return [f"{job.row_position}:{job.job_id}" for job in jobs.row_of(work.conn, station.id)]
