"""The verifying scan as one step: verdict, move, hold and ledger commit together."""

import json

import sqlalchemy as sa

from gateway.dispatch.holds import open_hold, open_of
from gateway.dispatch.moves import move
from gateway.dispatch.outcome import bag_came_out, settled
from gateway.dispatch.supply import count_down
from gateway.dispatch.verify import clean_code, judge
from gateway.store import jobs
from gateway.store.jobs import JobRow
from gateway.store.tables import stations
from gateway.store.work import Work
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.scan import ScanResult, ScanVerdict
from schemas.station import Station

NO_READS_ALLOWED = 3
"""Tries without a read before the station is held: common practice, no source."""


def verify_scan(
    work: Work, place: Station, code: str | None, actor: str, event_id: str | None = None
) -> ScanResult:
    """Judge a scan at a station and act on it.

    A held station takes no match: the hold must be released first, so that the scan that caused
    it can't be covered by the next one.
    """
    station = place.id
    code = clean_code(code) if code is not None else None
    row = jobs.row_of(work.conn, station)
    carriers = jobs.carrying(work.conn, code) if code else []
    result = judge(station, code, row, carriers, _just_verified(work, station, code))
    held = open_of(work.conn, station)
    if held is not None and result.verdict is ScanVerdict.MATCH:
        result = result.model_copy(
            update={
                "holds_station": True,
                "text": f"The station is held: {held.text} Release it first, then scan again.",
            }
        )
        _record(work, result, actor, event_id, taken=False)
        return result
    match result.verdict:
        case ScanVerdict.MATCH:
            result = _verified(work, place, row, result, actor)
        case ScanVerdict.NO_READ:
            result = _count_no_read(work, result)
        case _:
            pass
    if result.verdict is not ScanVerdict.NO_READ:
        _set_no_reads(work, station, 0)
    _record(work, result, actor, event_id, taken=True)
    if result.holds_station:
        head = row[0] if row else None
        open_hold(
            work,
            station,
            result.verdict.value,
            result.text,
            job=head,
            scan=result,
            event_id=event_id,
        )
    return result


def _just_verified(work: Work, station: str, code: str | None) -> str | None:
    """The job that was verified here last, unless its code has been read again once already."""
    stored = work.conn.execute(
        sa.select(stations.c.last_scan).where(stations.c.station == station)
    ).scalar_one_or_none()
    if stored is not None:
        last = json.loads(stored)
        if last["verdict"] == ScanVerdict.REPEAT and last["code"] == code:
            return None
    return jobs.last_verified(work.conn, station)


def _verified(
    work: Work, station: Station, row: list[JobRow], result: ScanResult, actor: str
) -> ScanResult:
    assert result.job_id is not None
    job = jobs.find(work.conn, result.job_id)
    assert job is not None
    if job.state is JobState.IN_DOUBT:
        job = move(work, job, JobState.PRINTED, "a scan read its label from a bag", actor=actor)
        settled(work, job, by="scan", printed=True, actor=actor)
        if row:
            return _settled_behind(work, station, row[0], job, result)
        count_down(work, station, jobs.parcel_of(work.conn, job.parcel_id))
    move(work, job, JobState.VERIFIED, "the right label was read from the bag", actor=actor)
    return result


def _settled_behind(
    work: Work, station: Station, head: JobRow, job: JobRow, result: ScanResult
) -> ScanResult:
    """A label in doubt was read from a bag that isn't due: it did print, and waits its turn."""
    bag_came_out(work, station, job)
    return result.model_copy(
        update={
            "verdict": ScanVerdict.OTHER_ORDER,
            "belongs_to_order": job.order_id,
            "belongs_to_station": job.station,
            "text": (
                f"The label of order {job.order_id} came out: that is settled. "
                f"But order {head.order_id} is due first."
            ),
        }
    )


def _record(
    work: Work, result: ScanResult, actor: str, event_id: str | None, *, taken: bool
) -> None:
    good = taken and result.verdict in (ScanVerdict.MATCH, ScanVerdict.REPEAT)
    work.record(
        EntryKind.SCAN_VERIFIED if good else EntryKind.SCAN_REFUSED,
        actor=actor,
        order_id=result.order_id,
        parcel_id=result.parcel_id,
        job_id=result.job_id,
        station=result.station,
        event_id=event_id,
        verdict=result.verdict.value,
        code=result.code,
        expected=list(result.expected),
        belongs_to_order=result.belongs_to_order,
        belongs_to_station=result.belongs_to_station,
        shifted_by=result.shifted_by,
        text=result.text,
    )
    work.conn.execute(
        sa.update(stations)
        .where(stations.c.station == result.station)
        .values(
            last_scan=json.dumps(
                {"verdict": result.verdict.value, "code": result.code, "text": result.text}
            ),
            changed=work.now,
        )
    )


def _count_no_read(work: Work, result: ScanResult) -> ScanResult:
    count = (
        work.conn.execute(
            sa.select(stations.c.no_reads).where(stations.c.station == result.station)
        ).scalar_one_or_none()
        or 0
    ) + 1
    _set_no_reads(work, result.station, count)
    if count < NO_READS_ALLOWED:
        return result
    text = f"Stop. No code was read in {count} tries. Look at the print: fold, ribbon, seal, gloss."
    return result.model_copy(update={"holds_station": True, "text": text})


def _set_no_reads(work: Work, station: str, count: int) -> None:
    work.conn.execute(
        sa.update(stations)
        .where(stations.c.station == station, stations.c.no_reads != count)
        .values(no_reads=count)
    )
