"""The job's states and the moves between them: one table that code, docs and tests share."""

from collections.abc import Mapping
from types import MappingProxyType

from pydantic import JsonValue

from gateway.dispatch.station_moves import move_station, state_of
from gateway.errors import NotAllowedNow
from gateway.store import jobs
from gateway.store.jobs import JobRow
from gateway.store.work import Work
from schemas.events import Outgoing, OutgoingType
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.station import StationState

GATEWAY = "gateway"
"""The actor of what nobody did by hand."""

S = JobState
MOVES: Mapping[JobState, Mapping[JobState, str]] = MappingProxyType(
    {
        S.QUEUED: {
            S.SENDING: "the lane takes it",
            S.STALE: "it waited too long",
            S.CANCELLED: "a person or the WMS cancels it",
        },
        S.STALE: {
            S.QUEUED: "a person says: print it",
            S.CANCELLED: "a person says: don't",
        },
        S.SENDING: {
            S.QUEUED: "nothing left us, or the station drops repeats: once more",
            S.SENT: "everything left us",
            S.PRINTED: "the station says that it printed",
            S.IN_DOUBT: "nobody can tell what became of it",
            S.REFUSED: "the station refuses it",
        },
        S.IN_DOUBT: {
            S.QUEUED: "it did not print: once more",
            S.SENT: "the station has it and has yet to print it",
            S.PRINTED: "it did print",
            S.VOID: "whatever printed is thrown away",
        },
        S.SENT: {
            S.PRINTED: "the station says that it printed",
            S.VERIFIED: "the right label was read from the bag",
            S.CLOSED: "the bag left a station that needs no scan",
            S.VOID: "the bag must not leave",
        },
        S.PRINTED: {
            S.VERIFIED: "the right label was read from the bag",
            S.CLOSED: "the bag left a station that needs no scan",
            S.VOID: "the bag must not leave",
        },
        S.REFUSED: {
            S.QUEUED: "a person mended it: once more",
            S.CANCELLED: "a person gives it up",
        },
        S.VERIFIED: {S.VOID: "the bag must not leave after all"},
        S.CLOSED: {S.VOID: "the bag must not leave after all"},
        S.VOID: {},
        S.CANCELLED: {},
    }
)


def allowed(state: JobState, to: JobState) -> bool:
    """Whether the table has that move."""
    return to in MOVES[state]


def move(
    work: Work,
    job: JobRow,
    to: JobState,
    reason: str,
    *,
    actor: str = GATEWAY,
    attempt: int | None = None,
    count_before: int | None = None,
    **facts: JsonValue,
) -> JobRow:
    """Make one move, with its ledger entry and its outgoing event, in the step's transaction.

    Raises `NotAllowedNow` where the table has no such move, or where the job is no longer in the
    state that `job` says, because somebody else was quicker.
    """
    if not allowed(job.state, to):
        raise NotAllowedNow(
            f"Job {job.job_id} is {job.state}; it can't become {to}. "
            f"From here it can become: {', '.join(MOVES[job.state]) or 'nothing any more'}."
        )
    moved = jobs.change(
        work.conn,
        job,
        to,
        work.now,
        attempt=attempt,
        count_before=count_before,
        note=reason,
        waits_anew=to is S.QUEUED and actor != GATEWAY,
    )
    if moved is None:
        raise NotAllowedNow(
            f"Job {job.job_id} is no longer {job.state}: somebody was quicker. Look again."
        )
    work.record(
        EntryKind.JOB_MOVED,
        actor=actor,
        order_id=job.order_id,
        parcel_id=job.parcel_id,
        job_id=job.job_id,
        station=job.station,
        facts={"from": job.state.value, "to": to.value, "reason": reason, **facts},
    )
    work.publish(
        OutgoingType.PARCEL_VERIFIED if to is S.VERIFIED else OutgoingType.JOB_MOVED,
        Outgoing(
            order_id=job.order_id,
            parcel_id=job.parcel_id,
            job_id=job.job_id,
            station=job.station,
            state=to,
            text=reason[:500],
        ),
    )
    _station_follows(work, moved, was=job.state)
    work.wake(job.station)
    return moved


def _station_follows(work: Work, job: JobRow, was: JobState) -> None:
    """A doubt stops the station, its settling lets it go on; a held one stays held."""
    if S.IN_DOUBT not in (job.state, was):
        return
    to = StationState.IN_DOUBT if job.state is S.IN_DOUBT else StationState.READY
    if state_of(work.conn, job.station) not in (StationState.HELD, to):
        why = job.note or f"job {job.job_id} is {job.state}"
        move_station(work, job.station, to, why, job=job, reason=why)
