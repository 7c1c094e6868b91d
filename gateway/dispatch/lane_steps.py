"""The durable steps of a lane, each one transaction, each refused once the lease is lost."""

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum

from sqlalchemy.engine import Connection

from adapters.errors import StationFault
from gateway.dispatch.holds import open_hold
from gateway.dispatch.lane_at import Waiting, lane_at, next_waiting
from gateway.dispatch.lease import Lease, fence, lost
from gateway.dispatch.moves import move
from gateway.dispatch.outcome import bag_came_out, settled
from gateway.dispatch.row import needs_room
from gateway.dispatch.station_moves import (
    STANDING,
    allowed,
    move_station,
    now_waits_for,
    state_of,
)
from gateway.dispatch.supply import loads_of, slot_for
from gateway.store import jobs
from gateway.store.jobs import JobRow
from gateway.store.work import Work
from schemas.job import JobState
from schemas.station import (
    Fate,
    Receipt,
    ReceiptStage,
    Station,
    StationOrder,
    StationState,
)


class Idle(StrEnum):
    """Why a lane has nothing to send."""

    EMPTY = "empty"
    HELD = "held"
    LET_GO = "let_go"
    """Held no more: first its machine is told so."""
    STANDS = "stands"
    """Its last faults persisted: look at it first."""
    ROW_FULL = "row_full"
    DOUBT = "doubt"


@dataclass(frozen=True, slots=True)
class Taken:
    """A job that is now in `sending`, and what to hand to the adapter."""

    job: JobRow
    order: StationOrder
    stood: bool = False
    """The station stood until now: this is the try that shows whether it goes on."""


@dataclass(frozen=True, slots=True)
class LeftOver:
    """A job that was being sent when its process died or lost the lane."""

    job: JobRow


def nothing_to_take(conn: Connection, station: Station) -> Idle | None:
    """Why `take_next` would take nothing and change nothing, as far as a mere look can tell."""
    at = lane_at(conn, station.id)
    if at.open_state is not None:
        return Idle.DOUBT if at.open_state is JobState.IN_DOUBT else None
    if at.state is StationState.HELD:
        return Idle.HELD
    if at.told_to_hold:
        return Idle.LET_GO
    if at.state in STANDING:
        return None
    if at.head_taken and needs_room(station):
        return Idle.ROW_FULL
    return None if at.waits else Idle.EMPTY


def take_next(
    work: Work,
    station: Station,
    lease: Lease,
    count_before: int | None = None,
    *,
    looked: bool = False,
) -> Taken | LeftOver | Idle:
    """Move the next job to `sending`, or say why none may go.

    `count_before` is the station's own count of printed labels, read just before. `looked` says
    that a station that stood was looked at and nothing is seen in the way.
    """
    at = lane_at(work.conn, station.id)
    if (at.owner, at.epoch) != (lease.owner, lease.epoch):
        raise lost(lease)
    if at.open_state is not None:
        open_one = jobs.open_job(work.conn, station.id)
        sending = at.open_state is JobState.SENDING
        return LeftOver(open_one) if sending and open_one is not None else Idle.DOUBT
    if at.state is StationState.HELD:
        return Idle.HELD
    if at.told_to_hold:
        return Idle.LET_GO
    stood = at.state in STANDING
    if stood and not looked:
        _next_fresh(work, station)
        return Idle.STANDS
    if at.head_taken and needs_room(station):
        return Idle.ROW_FULL
    while (waiting := _next_fresh(work, station)) is not None:
        job = waiting.job
        sent = move(
            work,
            job,
            JobState.SENDING,
            "the lane takes it",
            attempt=job.attempt + 1,
            count_before=count_before,
        )
        if waiting.label is None:
            move(work, sent, JobState.REFUSED, "the label's bytes were erased; reprint it")
            continue
        return Taken(sent, _order(work, sent, waiting, waiting.label), stood)
    if stood:
        move_station(work, station.id, StationState.READY, "it answers again", reason="it answers")
    return Idle.EMPTY


def _next_fresh(work: Work, station: Station) -> Waiting | None:
    """The next job; those before it that waited too long are shown to a person first."""
    while (waiting := next_waiting(work.conn, station.id)) is not None:
        waited_for = work.now - waiting.job.waits_since
        if waited_for <= timedelta(seconds=station.stale_after_s):
            return waiting
        waited = int(waited_for.total_seconds() // 60)
        move(work, waiting.job, JobState.STALE, f"it waited {waited} min; the goods may have left")
    return None


def _order(work: Work, job: JobRow, waiting: Waiting, label: bytes) -> StationOrder:
    load = slot_for(loads_of(work.conn, job.station), waiting.bag)
    return StationOrder(
        job_id=job.job_id,
        bag=waiting.bag,
        slot=load.slot if load else 1,
        width_mm=waiting.width_mm,
        length_mm=waiting.length_mm,
        language=waiting.language,
        label=label,
        expected_scans=job.expected_scans,
        repeat_of=job.reprint_of,
    )


def delivered(
    work: Work, station: Station, lease: Lease, job: JobRow, receipt: Receipt, tries: int = 0
) -> None:
    """The adapter's receipt: the job has left us, and the bag enters the row.

    `tries` counts those since the station stood, this one among them; 0 where it did not stand.
    """
    fence(work, lease)
    if tries and state_of(work.conn, station.id) in STANDING:
        why = "it takes labels again"
        move_station(work, station.id, StationState.READY, why, reason=why, tries=tries)
    if _reported(work, job):
        return
    printed = receipt.stage in (ReceiptStage.PRINTED, ReceiptStage.SEALED)
    moved = move(
        work,
        job,
        JobState.PRINTED if printed else JobState.SENT,
        f"{receipt.stage.value}{'; the station had it before' if receipt.repeated else ''}",
        bytes_sent=receipt.bytes_sent,
        device_job=receipt.device_job,
        repeated=receipt.repeated,
    )
    bag_came_out(work, station, moved)


def _reported(work: Work, job: JobRow) -> bool:
    """Whether the station's own report that it printed was quicker than the delivery's end."""
    now = jobs.find(work.conn, job.job_id)
    return now is not None and now.state is not job.state and now.attempt == job.attempt


def failed(
    work: Work, lease: Lease, job: JobRow, to: JobState, fault: StationFault
) -> JobRow | None:
    """The delivery failed and the table of faults says what the job becomes.

    None when the station has reported meanwhile that it printed: then nothing failed.
    """
    fence(work, lease)
    if _reported(work, job):
        return None
    reason = fault.told
    return move(
        work,
        job,
        to,
        reason[:500],
        fault=type(fault).__name__,
        bytes_sent=fault.bytes_sent,
        attempt_number=job.attempt,
    )


def stands(work: Work, lease: Lease, station: str, to: StationState, why: str) -> bool:
    """The station stands: recorded once, and again when the reason is another one.

    False where it is held or its job is in doubt: that outranks it, and nothing is sent anyway.
    """
    fence(work, lease)
    was = state_of(work.conn, station)
    if was is to:
        now_waits_for(work, station, why)
    elif allowed(was, to):
        move_station(work, station, to, why, reason=why)
    else:
        return False
    return True


def needs_person(work: Work, lease: Lease, job: JobRow, fault: StationFault) -> None:
    """Somebody must go to the station: the job stays first, and is not tried before a look."""
    failed(work, lease, job, JobState.QUEUED, fault)
    why = fault.told
    stands(work, lease, job.station, StationState.NEEDS_PERSON, why)


def misconfigured(work: Work, lease: Lease, job: JobRow, fault: StationFault) -> None:
    """The station and the site file disagree: hold, so that nothing is tried again and again."""
    back = failed(work, lease, job, JobState.QUEUED, fault) or job
    open_hold(work, job.station, "misconfigured", fault.told, job=back)


def told_fate(work: Work, station: Station, lease: Lease, job: JobRow, fate: Fate) -> bool:
    """The station was asked about a job in doubt; whether that settled it."""
    fence(work, lease)
    if fate is Fate.CANNOT_TELL:
        return False
    to = {
        Fate.PRINTED: JobState.PRINTED,
        Fate.WAITING: JobState.SENT,
        Fate.UNKNOWN_JOB: JobState.QUEUED,
    }[fate]
    moved = move(work, job, to, f"the station was asked and says: {fate.value}")
    settled(work, job, by="station", printed=fate is Fate.PRINTED)
    if to is not JobState.QUEUED:
        bag_came_out(work, station, moved)
    return True
