"""The report of a day: what went out, in which bags, how much film, and how well it was labelled.

It counts stations, bags and kinds of case, never people.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from gateway.figures.control_chart import PChart, p_chart
from gateway.figures.day_facts import DayFacts, FormerBag, OpenCase, Stop, UsedBag
from gateway.figures.label_checks import THREE_SHIFTS, Shift, samples_by_shift
from gateway.figures.pareto import ParetoBar, pareto
from gateway.figures.settling import SettleTimes, settle_times
from gateway.figures.wilson import Rate


@dataclass(frozen=True, slots=True)
class BagUse:
    """How often one bag in one size was used. Film in g, sizes in mm."""

    bag: str
    width_mm: float
    length_mm: float
    count: int
    share: float
    film_g: float


@dataclass(frozen=True, slots=True)
class FilmUse:
    """Film of the day in g, and against the site's former bag.

    Only bags that were not void and whose goods the former bag would have held are compared; the
    saving is negative where more film was used than before.
    """

    used_g: float
    of_it_void_g: float
    former: str | None
    compared: int
    beyond_former: int
    """Bags whose goods would not have gone into the former bag."""
    compared_g: float
    former_g: float

    @property
    def saved_g(self) -> float | None:
        """None where there is nothing to compare."""
        return self.former_g - self.compared_g if self.compared else None

    @property
    def saved_share(self) -> float | None:
        """Share of the former film that was saved; None where there is nothing to compare."""
        return 1 - self.compared_g / self.former_g if self.compared and self.former_g else None


@dataclass(frozen=True, slots=True)
class StationDay:
    """A station's day. Downtime in seconds, overlapping causes counted once."""

    station: str
    bags: int
    void: int
    changeovers: int
    refills: int
    stops: int
    down_s: float
    longest_cause: str
    labels: Rate
    """Mislabels in labels checked."""
    first_pass: Rate


@dataclass(frozen=True, slots=True)
class DayReport:
    """The whole report."""

    site: str
    zone: ZoneInfo
    day: date
    start: datetime
    end: datetime
    orders: int
    pieces: int
    manual: Rate
    """Orders that went to manual packing."""
    bags: int
    void: Rate
    """Printed bags that were void."""
    sizes: tuple[BagUse, ...]
    film: FilmUse
    mean_void_share: float | None
    """Mean share of a bag that holds no goods, over the bags for which it is known."""
    stations: tuple[StationDay, ...]
    mislabels: Rate
    first_pass: Rate
    in_doubt: Rate
    kinds: tuple[ParetoBar, ...]
    settling: SettleTimes
    open_cases: tuple[OpenCase, ...]
    charts: tuple[tuple[str, PChart], ...]
    """A control chart of mislabels for each station, by shift."""


def day_report(
    facts: DayFacts, *, site: str, zone: ZoneInfo, shifts: Sequence[Shift] = THREE_SHIFTS
) -> DayReport:
    """Work out the report of a day's facts."""
    wrong = Counter(check.wrong.value for check in facts.checks if check.wrong)
    void_shares = [bag.void_share for bag in facts.bags if bag.void_share is not None]
    cases = facts.cases
    return DayReport(
        site=site,
        zone=zone,
        day=facts.day,
        start=facts.start,
        end=facts.end,
        orders=facts.orders,
        pieces=facts.pieces,
        manual=_rate(facts.manual, facts.orders),
        bags=len(facts.bags),
        void=Rate(sum(bag.voided for bag in facts.bags), len(facts.bags)),
        sizes=_sizes(facts.bags),
        film=_film(facts.bags, facts.former),
        mean_void_share=sum(void_shares) / len(void_shares) if void_shares else None,
        stations=_stations(facts),
        mislabels=_share(check.mislabel for check in facts.checks),
        first_pass=_share(check.first_pass for check in facts.checks),
        in_doubt=_rate(facts.in_doubt, facts.sent),
        kinds=pareto(wrong),
        settling=settle_times(cases.settled_s, len(cases.still_open)),
        open_cases=tuple(sorted(cases.still_open, key=lambda case: case.opened)),
        charts=tuple(_charts(facts, zone, shifts)),
    )


def down_seconds(stops: Iterable[Stop], start: datetime, end: datetime) -> float:
    """Return the time within start and end that any of the stops covers, in seconds."""
    total, reached = 0.0, start
    for stop in sorted(stops, key=lambda stop: stop.start):
        begin, finish = max(stop.start, reached), min(stop.end or end, end)
        if finish > begin:
            total += (finish - begin).total_seconds()
            reached = finish
    return total


def _share(outcomes: Iterable[bool]) -> Rate:
    known = list(outcomes)
    return Rate(sum(known), len(known))


def _rate(events: int, trials: int) -> Rate:
    """A job that left before midnight may come in doubt after it: the trials count it too."""
    return Rate(events, max(events, trials))


def _sizes(bags: Sequence[UsedBag]) -> tuple[BagUse, ...]:
    counts = Counter((bag.bag, bag.width_mm, bag.length_mm) for bag in bags)
    film: defaultdict[tuple[str, float, float], float] = defaultdict(float)
    for bag in bags:
        film[bag.bag, bag.width_mm, bag.length_mm] += bag.film_mass_g
    return tuple(
        BagUse(*size, count, count / len(bags), film[size])
        for size, count in sorted(counts.items(), key=lambda one: (-one[1], one[0]))
    )


def _film(bags: Sequence[UsedBag], former: FormerBag | None) -> FilmUse:
    good = [bag for bag in bags if not bag.voided]
    held = [bag for bag in good if former and _would_hold(former, bag)]
    return FilmUse(
        used_g=sum(bag.film_mass_g for bag in bags),
        of_it_void_g=sum(bag.film_mass_g for bag in bags if bag.voided),
        former=former.bag if former else None,
        compared=len(held),
        beyond_former=len(good) - len(held) if former else 0,
        compared_g=sum(bag.film_mass_g for bag in held),
        former_g=len(held) * former.film_mass_g if former else 0.0,
    )


def _would_hold(former: FormerBag, bag: UsedBag) -> bool:
    return bag.needed_width_mm <= former.width_mm and bag.needed_length_mm <= former.length_mm


def _stations(facts: DayFacts) -> tuple[StationDay, ...]:
    names = {bag.station for bag in facts.bags} | {check.station for check in facts.checks}
    names |= {stop.station for stop in facts.stops}
    names |= {*facts.changeovers, *facts.refills}
    return tuple(_station(facts, name) for name in sorted(names))


def _station(facts: DayFacts, name: str) -> StationDay:
    bags = [bag for bag in facts.bags if bag.station == name]
    checks = [check for check in facts.checks if check.station == name]
    stops = [stop for stop in facts.stops if stop.station == name]
    causes = {
        cause: down_seconds((s for s in stops if s.cause == cause), facts.start, facts.end)
        for cause in sorted({stop.cause for stop in stops})
    }
    return StationDay(
        station=name,
        bags=len(bags),
        void=sum(bag.voided for bag in bags),
        changeovers=facts.changeovers.get(name, 0),
        refills=facts.refills.get(name, 0),
        stops=len(stops),
        down_s=down_seconds(stops, facts.start, facts.end),
        longest_cause=max(causes, key=lambda cause: causes[cause], default=""),
        labels=_share(check.mislabel for check in checks),
        first_pass=_share(check.first_pass for check in checks),
    )


def _charts(
    facts: DayFacts, zone: ZoneInfo, shifts: Sequence[Shift]
) -> Iterator[tuple[str, PChart]]:
    today = samples_by_shift(facts.checks, zone, shifts)
    for station in sorted({*today, *facts.history}):
        chart = p_chart([*facts.history.get(station, ()), *today.get(station, ())])
        if chart:
            yield station, chart
