"""Asking a station what became of a job: by the job's id, or by its count of printed labels."""

import asyncio
from collections.abc import Awaitable, Callable

from adapters.contract import AsksFate, CountsLabels, StationLine
from adapters.errors import NeedsPerson, StationFault
from gateway.store.jobs import JobRow
from schemas.station import Fate

COUNT_SETTLES_S = 1.0
"""A count is believed once it stands still this long: common practice, no source."""

Pause = Callable[[float], Awaitable[None]]


def can_tell(adapter: StationLine, job: JobRow) -> bool:
    """Whether there is a way to ask this station about this job."""
    if adapter.claims.can_be_asked and isinstance(adapter, AsksFate):
        return True
    return _counts(adapter) and job.count_before is not None


def needs_count(adapter: StationLine) -> bool:
    """Whether the count before a label is the only way to tell afterwards."""
    return _counts(adapter) and not (adapter.claims.can_be_asked or adapter.claims.drops_repeats)


async def count_before(adapter: StationLine) -> int:
    """The station's count before a label is sent."""
    assert isinstance(adapter, CountsLabels)
    return await adapter.labels_printed()


async def answer(
    open_line: Callable[[], Awaitable[None]], adapter: StationLine, job: JobRow, pause: Pause
) -> tuple[Fate | None, str]:
    """The job's fate; or nothing yet, and what a person must put right first, if that is known."""
    try:
        await open_line()
        async with asyncio.timeout(_longest_s(adapter)):
            return await _ask(adapter, job, pause), ""
    except NeedsPerson as fault:
        return None, fault.told
    except (StationFault, TimeoutError):
        return None, ""


async def _ask(adapter: StationLine, job: JobRow, pause: Pause) -> Fate | None:
    if adapter.claims.can_be_asked and isinstance(adapter, AsksFate):
        return await adapter.fate(job.job_id)
    assert isinstance(adapter, CountsLabels)
    assert job.count_before is not None
    return await _by_count(adapter, job.count_before, pause)


def _longest_s(adapter: StationLine) -> float:
    late_s = adapter.claims.comes_late_s if adapter.claims.counts_labels else 0.0
    return 2 * adapter.claims.state_within_s + COUNT_SETTLES_S + late_s


async def _by_count(adapter: CountsLabels, before: int, pause: Pause) -> Fate | None:
    """One more label than before is ours; none more is none, once nothing can be on its way.

    What was sent on a line that is lost may lie in a buffer that a fresh line knows nothing of, a
    print server's for one: so it is none only when the count stands for as long as labels may
    come late. A printer that is paused or out of paper may hold our label and print it later.
    Raises `NeedsPerson` there: it can tell only once that is put right.
    """
    count = await adapter.labels_printed()
    await pause(COUNT_SETTLES_S)
    if await adapter.labels_printed() != count:
        return None
    match count - before:
        case 1:
            return Fate.PRINTED
        case 0:
            assert isinstance(adapter, StationLine)
            if not await _stands(adapter, count, pause):
                return None
            condition = await adapter.state()
            if condition.ready is False:
                raise NeedsPerson(
                    f"The station says: {', '.join(condition.faults) or condition.state.value}.",
                    do="Put it right at the printer; then it tells what became of the label.",
                )
            idle = condition.ready is True and not condition.labels_left
            return Fate.UNKNOWN_JOB if idle else None
        case _:
            return Fate.CANNOT_TELL


async def _stands(adapter: CountsLabels, count: int, pause: Pause) -> bool:
    """Whether the count stands for as long as a label may come late; looked at now and then."""
    assert isinstance(adapter, StationLine)
    left_s = adapter.claims.comes_late_s - COUNT_SETTLES_S
    while left_s > 0:
        await pause(min(left_s, COUNT_SETTLES_S))
        left_s -= COUNT_SETTLES_S
        if await adapter.labels_printed() != count:
            return False
    return True


def _counts(adapter: StationLine) -> bool:
    return adapter.claims.counts_labels and isinstance(adapter, CountsLabels)
