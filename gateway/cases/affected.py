"""Which other bags could the same fault have touched? Pure: from a station's entries."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from schemas.cases import Affected, AffectedBag, AffectedWhy
from schemas.job import JobState
from schemas.ledger import EntryKind, LedgerEntry
from schemas.scan import ScanVerdict

_SETTLED = frozenset({JobState.VERIFIED, JobState.VOID, JobState.CANCELLED})
_IN_ROW = frozenset({JobState.SENT, JobState.PRINTED})


@dataclass(slots=True)
class _Bag:
    job_id: str
    order_id: str
    parcel_id: str
    printed: int | None = None
    ended: int | None = None
    end: JobState | None = None


def affected_by(
    entries: Iterable[LedgerEntry],
    station: str,
    at_seq: int,
    now: Mapping[str, JobState],
    *,
    shifted_by: int = 0,
) -> Affected:
    """List the bags between the last right scan before the entry and the first one after it.

    `entries` are the station's, in order, from far enough back to hold the prints of every bag
    that lay in the row. A verifying scan proves the bag that it read and nothing about the bags
    behind it; so a bag counts from its print until a scan, a void or a cancel of its own settles
    it. `now` holds the states of jobs as they are now; `shifted_by` tells how many bags at the
    head of the row went missing.
    """
    told = list(entries)
    sure = [entry.seq for entry in told if _right_scan(entry)]
    start = max((seq for seq in sure if seq < at_seq), default=0)
    end = min((seq for seq in sure if seq > at_seq), default=None)
    bags = [
        bag
        for bag in _bags(told).values()
        if bag.printed is not None and _touched(bag, start, at_seq, end)
    ]
    bags.sort(key=lambda bag: bag.printed or 0)
    before = [b for b in bags if (b.printed or 0) < at_seq and not _left(b, start, at_seq)]
    return Affected(
        station=station,
        from_seq=start,
        to_seq=end,
        bags=tuple(
            AffectedBag(
                job_id=bag.job_id,
                order_id=bag.order_id,
                parcel_id=bag.parcel_id,
                state=now.get(bag.job_id, bag.end or JobState.PRINTED),
                why=_why(bag, before, start, at_seq, shifted_by),
                settled=now.get(bag.job_id, bag.end) in _SETTLED,
            )
            for bag in bags
        ),
    )


def _right_scan(entry: LedgerEntry) -> bool:
    return (
        entry.kind is EntryKind.SCAN_VERIFIED
        and entry.data.get("verdict") == ScanVerdict.MATCH.value
    )


def _bags(told: Iterable[LedgerEntry]) -> dict[str, _Bag]:
    bags: dict[str, _Bag] = {}
    for entry in told:
        if entry.kind is not EntryKind.JOB_MOVED or not entry.job_id:
            continue
        bag = bags.setdefault(
            entry.job_id, _Bag(entry.job_id, entry.order_id or "", entry.parcel_id or "")
        )
        to = JobState(str(entry.data.get("to")))
        if to in _IN_ROW:
            bag.printed = bag.printed or entry.seq
        elif to in _SETTLED or to is JobState.CLOSED:
            bag.ended, bag.end = entry.seq, to
    return bags


def _touched(bag: _Bag, start: int, at: int, end: int | None) -> bool:
    assert bag.printed is not None
    if bag.printed > at:
        return end is None or bag.printed < end
    if bag.end is JobState.CLOSED and bag.ended is not None:
        return bag.ended > start
    return bag.ended is None or bag.ended >= at


def _left(bag: _Bag, start: int, at: int) -> bool:
    return bag.end is JobState.CLOSED and bag.ended is not None and start < bag.ended <= at


def _why(bag: _Bag, before: list[_Bag], start: int, at: int, shifted_by: int) -> AffectedWhy:
    if _left(bag, start, at):
        return AffectedWhy.LEFT_UNSCANNED
    if bag not in before:
        return AffectedWhy.PRINTED_SINCE
    place = before.index(bag)
    if place < shifted_by:
        return AffectedWhy.MISSING
    if place == shifted_by:
        return AffectedWhy.HELD_THE_GOODS
    return AffectedWhy.BEHIND
