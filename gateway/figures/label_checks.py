"""What the scans of finished labels say, one check per label job, read from ledger entries."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from gateway.figures.control_chart import Sample
from schemas.ledger import EntryKind, LedgerEntry
from schemas.scan import ScanVerdict

MISLABELS = frozenset(
    {
        ScanVerdict.SHIFTED,
        ScanVerdict.OTHER_ORDER,
        ScanVerdict.OTHER_STATION,
        ScanVerdict.OLD_LABEL,
    }
)
"""Verdicts that prove a wrong label on the bag. An unknown code may be the goods' own, and a label
that can't be read may be the right one: both are told by kind, neither counts as a mislabel."""

_NO_CHECK = frozenset({ScanVerdict.REPEAT, ScanVerdict.NOTHING_EXPECTED})


@dataclass(frozen=True, slots=True)
class LabelCheck:
    """The check of one label: when it was first tried, and what came of all tries."""

    station: str
    time: datetime
    first: ScanVerdict
    wrong: ScanVerdict | None
    """The first verdict of it that was not a match; None where every try matched."""
    mislabel: bool

    @property
    def first_pass(self) -> bool:
        """Whether the first try read the right label."""
        return self.first is ScanVerdict.MATCH


def label_checks(entries: Iterable[LedgerEntry]) -> tuple[LabelCheck, ...]:
    """Return a check for each label that was tried, in the order of the first tries.

    Tries belong together by the job whose label was expected; one without a job stands alone.
    Scans of bags that were verified before, or where none was expected, are no checks.
    """
    tries: dict[str, list[LedgerEntry]] = {}
    for entry in entries:
        if entry.kind in {EntryKind.SCAN_VERIFIED, EntryKind.SCAN_REFUSED}:
            verdict = _verdict(entry)
            if verdict is not None and verdict not in _NO_CHECK:
                tries.setdefault(entry.job_id or f"entry {entry.seq}", []).append(entry)
    return tuple(map(_check, tries.values()))


def _verdict(entry: LedgerEntry) -> ScanVerdict | None:
    try:
        return ScanVerdict(str(entry.data.get("verdict")))
    except ValueError:
        return None


def _check(tries: Sequence[LedgerEntry]) -> LabelCheck:
    verdicts = [verdict for one in tries if (verdict := _verdict(one)) is not None]
    wrong = [verdict for verdict in verdicts if verdict is not ScanVerdict.MATCH]
    false = [verdict for verdict in wrong if verdict in MISLABELS]
    return LabelCheck(
        tries[0].station or "",
        tries[0].time,
        verdicts[0],
        next(iter(false or wrong), None),
        bool(false),
    )


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift by its name and the hour of local time at which it begins."""

    name: str
    from_hour: int


THREE_SHIFTS = (Shift("early", 6), Shift("late", 14), Shift("night", 22))
"""Common practice, no source."""


def samples_by_shift(
    checks: Iterable[LabelCheck], zone: tzinfo, shifts: Sequence[Shift] = THREE_SHIFTS
) -> Mapping[str, tuple[Sample, ...]]:
    """Return each station's checked and mislabelled labels by shift, oldest shift first.

    A shift that runs over midnight belongs to the day on which it began. Raises ValueError
    without shifts.
    """
    counts: dict[str, dict[tuple[str, int], list[int]]] = {}
    ordered = sorted(shifts, key=lambda shift: shift.from_hour)
    if not ordered:
        raise ValueError("There is no shift to count by.")
    for check in checks:
        key = _shift_of(check.time.astimezone(zone), ordered)
        count = counts.setdefault(check.station, {}).setdefault(key, [0, 0])
        count[0] += 1
        count[1] += check.mislabel
    return {
        station: tuple(
            Sample(f"{day} {ordered[number].name}", checked, bad)
            for (day, number), (checked, bad) in sorted(by_shift.items())
        )
        for station, by_shift in sorted(counts.items())
    }


def _shift_of(local: datetime, ordered: Sequence[Shift]) -> tuple[str, int]:
    begun = [number for number, shift in enumerate(ordered) if shift.from_hour <= local.hour]
    if begun:
        return local.date().isoformat(), begun[-1]
    return (local.date() - timedelta(days=1)).isoformat(), len(ordered) - 1
