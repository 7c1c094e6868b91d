"""The verdict over a verifying scan: pure, from the code, the row and whoever carries the code."""

import re
from collections.abc import Sequence

from gateway.store.jobs import JobRow
from gateway.store.tables import LIVE_STATES
from schemas.job import JobState
from schemas.scan import ScanResult, ScanVerdict

_AIM_PREFIX = re.compile(r"^\][A-Za-z][0-9A-Za-z]")
"""Symbology identifier that readers put in front (ISO/IEC 15424): ']', a letter, a modifier."""


def clean_code(code: str) -> str:
    """A code as labels list it: without the symbology identifier, a leading FNC1, CR or LF."""
    bare = code.strip("\r\n")
    return _AIM_PREFIX.sub("", bare, count=1).removeprefix("\x1d")


def judge(
    station: str,
    code: str | None,
    row: Sequence[JobRow],
    carriers: Sequence[JobRow],
    just_verified: str | None = None,
) -> ScanResult:
    """Say what the scan proves.

    `row` is the station's row of printed bags, nearest to loading first; `carriers` are the jobs
    whose label has the code, live ones first. A match is only ever the head of the row, or a job
    of this station whose fate was in doubt or that left the row unscanned: what was read from a
    bag did print. `just_verified` is the job whose bag was verified here last: its code once more
    is a second pull of the trigger; the code of any earlier bag is a label that exists twice.
    """
    head = row[0] if row else None
    expected = head.expected_scans if head else ()
    if code is None:
        return _verdict(ScanVerdict.NO_READ, station, None, head, "No code was read. Scan again.")
    if head is not None and code in head.expected_scans:
        return _verdict(
            ScanVerdict.MATCH, station, code, head, f"Right label for order {head.order_id}."
        )
    proved = _unaccounted(station, carriers)
    if proved is not None:
        text = f"Right label for order {proved.order_id}; it had not been accounted for."
        return _verdict(ScanVerdict.MATCH, station, code, proved, text)
    for shift, job in enumerate(row):
        if code in job.expected_scans:
            return _shifted(station, code, job, expected, shift, head)
    return _not_in_row(station, code, head, carriers, just_verified)


def _unaccounted(station: str, carriers: Sequence[JobRow]) -> JobRow | None:
    """A job of this station that the code proves printed, though nothing else had.

    A doubt is settled only by a code that one job alone ever carried: an item's code, or that of
    a label printed again, may have been read from another bag.
    """
    for job in carriers:
        if job.station != station:
            continue
        if job.state is JobState.IN_DOUBT and len(carriers) == 1:
            return job
        if job.state in (JobState.SENT, JobState.PRINTED) and job.row_position is None:
            return job
    return None


def _shifted(
    station: str,
    code: str,
    found: JobRow,
    expected: tuple[str, ...],
    shift: int,
    head: JobRow | None,
) -> ScanResult:
    wanted = head.order_id if head else "?"
    return ScanResult(
        verdict=ScanVerdict.SHIFTED,
        station=station,
        code=code,
        expected=expected,
        job_id=head.job_id if head else None,
        parcel_id=head.parcel_id if head else None,
        order_id=head.order_id if head else None,
        belongs_to_order=found.order_id,
        belongs_to_station=station,
        shifted_by=shift,
        holds_station=True,
        text=(
            f"Stop. This label is for order {found.order_id}; order {wanted} was due. "
            f"The row is shifted by {shift}: a printed bag before this one is gone."
        ),
    )


def _not_in_row(
    station: str,
    code: str,
    head: JobRow | None,
    carriers: Sequence[JobRow],
    just_verified: str | None,
) -> ScanResult:
    owner = carriers[0] if carriers else None
    due = f" Order {head.order_id} was due." if head else ""
    if owner is None:
        verdict, text = ScanVerdict.UNKNOWN_CODE, f"Stop. No label of ours carries this code.{due}"
    elif owner.job_id == just_verified:
        verdict = ScanVerdict.REPEAT
        text = (
            f"Order {owner.order_id} was verified just now; nothing changed. If this is another "
            "bag, stop: two bags bear the same label."
        )
    elif owner.state not in LIVE_STATES:
        verdict = ScanVerdict.OLD_LABEL
        text = f"Stop. This is an old label of order {owner.order_id} ({owner.state}).{due}"
    elif owner.station != station:
        verdict = ScanVerdict.OTHER_STATION
        text = f"Stop. This label is for order {owner.order_id} at station {owner.station}.{due}"
    elif head is None:
        verdict = ScanVerdict.NOTHING_EXPECTED
        text = f"No printed bag is due here; the label of order {owner.order_id} isn't sent yet."
    else:
        verdict = ScanVerdict.OTHER_ORDER
        text = f"Stop. This label is for order {owner.order_id}.{due}"
    return ScanResult(
        verdict=verdict,
        station=station,
        code=code,
        expected=head.expected_scans if head else (),
        job_id=head.job_id if head else None,
        parcel_id=head.parcel_id if head else None,
        order_id=head.order_id if head else None,
        belongs_to_order=owner.order_id if owner else None,
        belongs_to_station=owner.station if owner else None,
        holds_station=verdict is not ScanVerdict.REPEAT,
        text=text,
    )


def _verdict(
    verdict: ScanVerdict, station: str, code: str | None, job: JobRow | None, text: str
) -> ScanResult:
    return ScanResult(
        verdict=verdict,
        station=station,
        code=code,
        expected=job.expected_scans if job else (),
        job_id=job.job_id if job else None,
        parcel_id=job.parcel_id if job else None,
        order_id=job.order_id if job else None,
        text=text,
    )
