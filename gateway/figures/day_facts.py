"""The facts of one day, read from the ledger entries of that day."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

from pydantic import JsonValue

from gateway.figures.control_chart import Sample
from gateway.figures.label_checks import LabelCheck, label_checks
from schemas.job import JobState
from schemas.ledger import EntryKind, LedgerEntry
from schemas.station import MachineState, StationState

DOWN = frozenset({MachineState.ABORTED, MachineState.HELD, MachineState.OFFLINE})
"""Machine states that count as down. Stopped may be the end of work, suspended is starved or
blocked by its neighbours (ISA-TR88.00.02): neither is the station's own fault."""

STANDS = frozenset({StationState.FAULTED, StationState.NEEDS_PERSON, StationState.IN_DOUBT})
"""States in which a station's lane sends nothing, beside a hold: they count as down too."""

_PRINTED = frozenset({JobState.SENT, JobState.PRINTED, JobState.VERIFIED, JobState.CLOSED})


@dataclass(frozen=True, slots=True)
class UsedBag:
    """A bag whose label was printed. Sizes are outer, flat; mm and g."""

    job_id: str
    station: str
    bag: str
    width_mm: float
    length_mm: float
    needed_width_mm: float
    needed_length_mm: float
    film_mass_g: float
    void_share: float | None
    """Share of the bag that holds no goods, where the ledger tells it."""
    voided: bool


@dataclass(frozen=True, slots=True)
class Stop:
    """A time in which a station stood; `end` is None where it still stands."""

    station: str
    start: datetime
    end: datetime | None
    cause: str


@dataclass(frozen=True, slots=True)
class OpenCase:
    """A case that waits for its end."""

    case_id: str
    kind: str
    station: str
    opened: datetime


@dataclass(frozen=True, slots=True)
class FormerBag:
    """The one bag that everything went into before."""

    bag: str
    width_mm: float
    length_mm: float
    film_mass_g: float


@dataclass(frozen=True, slots=True)
class Cases:
    """How long the day's settled cases took, and what is still open at its end."""

    settled_s: tuple[float, ...] = ()
    still_open: tuple[OpenCase, ...] = ()


@dataclass(frozen=True, slots=True)
class DayFacts:
    """What one day of a site was. `start` and `end` bound it; times are UTC."""

    day: date
    start: datetime
    end: datetime
    orders: int
    pieces: int
    manual: int
    bags: tuple[UsedBag, ...]
    checks: tuple[LabelCheck, ...]
    sent: int
    """Labels that began to leave for a station."""
    in_doubt: int
    """Of those, labels whose fate nobody knew for a while."""
    changeovers: Mapping[str, int]
    """By station: another bag was loaded than the one known to be in that place before."""
    refills: Mapping[str, int]
    """By station: the same bag was loaded again, or counted."""
    stops: tuple[Stop, ...]
    cases: Cases = Cases()
    former: FormerBag | None = None
    history: Mapping[str, tuple[Sample, ...]] = field(default_factory=dict)
    """Each station's shifts before this day, oldest first, for the control charts."""


def facts_of_day(
    entries: Iterable[LedgerEntry],
    day: date,
    start: datetime,
    end: datetime,
    *,
    earlier: Iterable[LedgerEntry] = (),
    cases: Cases | None = None,
    former: FormerBag | None = None,
    history: Mapping[str, tuple[Sample, ...]] | None = None,
) -> DayFacts:
    """Read the day's entries, in order of `seq`.

    `earlier` are entries from before `start` that the day hangs on: those that created jobs which
    moved in it, each station's last state, hold or release, and its last loads.
    """
    reading = _Reading(start)
    for entry in earlier:
        reading.before(entry)
    within = [entry for entry in entries if start <= entry.time < end]
    for entry in within:
        reading.take(entry)
    return DayFacts(
        day=day,
        start=start,
        end=end,
        orders=reading.orders,
        pieces=reading.pieces,
        manual=reading.manual,
        bags=tuple(reading.bags()),
        checks=label_checks(within),
        sent=reading.sent,
        in_doubt=len(reading.doubted),
        changeovers=dict(reading.changeovers),
        refills=dict(reading.refills),
        stops=reading.all_stops(),
        cases=cases or Cases(),
        former=former,
        history=history or {},
    )


class _Reading:
    """Facts under collection."""

    def __init__(self, start: datetime) -> None:
        self.orders = self.pieces = self.manual = self.sent = 0
        self.doubted: set[str] = set()
        self.changeovers: Counter[str] = Counter()
        self.refills: Counter[str] = Counter()
        self._loads: dict[tuple[str, str], str] = {}
        self._start = start
        self._created: dict[str, LedgerEntry] = {}
        self._printed: dict[str, LedgerEntry] = {}
        self._voided: set[str] = set()
        self._stops: list[Stop] = []
        self._down: dict[tuple[str, EntryKind], tuple[datetime, str]] = {}

    def before(self, entry: LedgerEntry) -> None:
        """Take an entry from before the day."""
        if entry.kind is EntryKind.JOB_CREATED and entry.job_id:
            self._created[entry.job_id] = entry
        elif entry.kind is EntryKind.SUPPLY_CHANGED:
            self._loaded(entry)
        else:
            self._station(entry, self._start)

    def take(self, entry: LedgerEntry) -> None:
        """Take an entry of the day."""
        match entry.kind:
            case EntryKind.ORDER_RECEIVED:
                self.orders += 1
                self.pieces += _whole(entry.data.get("pieces"))
            case EntryKind.ORDER_MANUAL:
                self.manual += 1
            case EntryKind.JOB_CREATED if entry.job_id:
                self._created[entry.job_id] = entry
            case EntryKind.JOB_MOVED if entry.job_id:
                self._moved(entry, entry.job_id)
            case EntryKind.SUPPLY_CHANGED:
                counted = self.refills if self._loaded(entry) else self.changeovers
                counted[entry.station or ""] += 1
            case _:
                self._station(entry, entry.time)

    def bags(self) -> Iterable[UsedBag]:
        """The bags whose label was printed in the day, in that order."""
        for job_id, printed in self._printed.items():
            created = self._created.get(job_id)
            bag = created.data.get("bag") if created else None
            if created is None or not isinstance(bag, dict):
                continue
            facts = created.data
            share = facts.get("void_share")
            yield UsedBag(
                job_id=job_id,
                station=printed.station or "",
                bag=str(bag.get("id")),
                width_mm=_number(bag.get("width_mm")),
                length_mm=_number(bag.get("length_mm")),
                needed_width_mm=_number(facts.get("needed_width_mm")),
                needed_length_mm=_number(facts.get("needed_length_mm")),
                film_mass_g=_number(facts.get("film_mass_g")),
                void_share=_number(share) if share is not None else None,
                voided=job_id in self._voided,
            )

    def all_stops(self) -> tuple[Stop, ...]:
        """The stops that ended and those that still last."""
        lasting = [
            Stop(station, since, None, cause) for (station, _), (since, cause) in self._down.items()
        ]
        return tuple(sorted((*self._stops, *lasting), key=lambda stop: (stop.start, stop.station)))

    def _moved(self, entry: LedgerEntry, job_id: str) -> None:
        was, to = entry.data.get("from"), entry.data.get("to")
        if to == JobState.SENDING:
            self.sent += 1
        elif to == JobState.IN_DOUBT:
            self.doubted.add(job_id)
        elif to == JobState.VOID:
            self._voided.add(job_id)
        if to in _PRINTED and was not in _PRINTED:
            self._printed.setdefault(job_id, entry)

    def _loaded(self, entry: LedgerEntry) -> bool:
        """Take note of a load; whether it is the bag that was there before."""
        place, bag = (entry.station or "", str(entry.data.get("slot"))), str(entry.data.get("bag"))
        same = self._loads.get(place) == bag
        self._loads[place] = bag
        return same

    def _station(self, entry: LedgerEntry, time: datetime) -> None:
        station = entry.station or ""
        if entry.kind is EntryKind.STATION_HELD:
            self._begin(station, EntryKind.STATION_HELD, time, str(entry.data.get("hold", "hold")))
            self._finish(station, EntryKind.STATION_MOVED, time)
        elif entry.kind is EntryKind.STATION_RELEASED:
            self._finish(station, EntryKind.STATION_HELD, time)
            self._stands(station, entry.data.get("to"), time)
        elif entry.kind is EntryKind.STATION_MOVED:
            if entry.data.get("to") != entry.data.get("from"):
                self._finish(station, EntryKind.STATION_MOVED, time)
            self._stands(station, entry.data.get("to"), time)
        elif entry.kind is EntryKind.STATION_STATE:
            self._finish(station, EntryKind.STATION_STATE, time)
            state = entry.data.get("state")
            if state in DOWN:
                self._begin(station, EntryKind.STATION_STATE, time, str(state))

    def _stands(self, station: str, to: JsonValue, time: datetime) -> None:
        if to in STANDS:
            self._begin(station, EntryKind.STATION_MOVED, time, str(to))

    def _begin(self, station: str, by: EntryKind, time: datetime, cause: str) -> None:
        self._down.setdefault((station, by), (time, cause))

    def _finish(self, station: str, by: EntryKind, time: datetime) -> None:
        begun = self._down.pop((station, by), None)
        if begun and begun[0] < time:
            self._stops.append(Stop(station, begun[0], time, begun[1]))


def _number(value: JsonValue) -> float:
    return float(value) if isinstance(value, int | float) else 0.0


def _whole(value: JsonValue) -> int:
    return value if isinstance(value, int) else 0
