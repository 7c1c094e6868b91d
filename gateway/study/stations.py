"""How many stations: the fewest with which enough orders start soon enough."""

from bisect import bisect_left
from collections.abc import Callable
from math import ceil

from gateway.study.errors import StudyWrong
from gateway.study.past import Past
from gateway.study.totals import Stocked
from gateway.study.waiting import mean_wait, probability_within, share_within, waits
from schemas.study import CountedBy, StationGoal, StationsAnswer, StationsTried

_HOUR_S = 3600.0
_MOST = 10_000
"""Stations; a plan for more has its units wrong."""


def stations_for(past: Past, stocked: Stocked, goal: StationGoal) -> list[StationsAnswer]:
    """By the orders' own times where all have one, and by formula for the busiest hour or the
    stated rate. Raises `StudyWrong` where neither times nor a rate are known."""
    services = _services(stocked, goal)
    packed = [call for call in past.calls if stocked.answers[call.content].parcels]
    if not packed:
        return []
    mean = sum(services[call.content] for call in packed) / len(packed)
    untimed = sum(call.at is None for call in packed)
    if untimed and goal.peak_orders_per_hour is None:
        raise StudyWrong(
            f"{untimed} of {len(packed)} orders have no time, so their waiting can't be replayed:"
            " give each line its `at`, or state stations.peak_orders_per_hour"
        )
    found: list[StationsAnswer] = []
    rate = goal.peak_orders_per_hour
    if not untimed:
        start = packed[0].at
        arrivals = [(c.at - start).total_seconds() for c in packed if c.at and start]
        held = [services[call.content] for call in packed]
        busiest = float(_busiest_hour(arrivals))
        rate = rate or busiest
        found.append(_by_replay(arrivals, held, mean, busiest, goal))
    assert rate is not None
    return [*found, _by_formula(rate, mean, goal)]


def _services(stocked: Stocked, goal: StationGoal) -> list[float]:
    """How long an order of each content holds a station, s, availability counted in."""
    return [
        (
            goal.seconds_per_order
            + goal.seconds_per_bag * len(answer.parcels)
            + goal.seconds_per_piece * sum(parcel.pieces for parcel in answer.parcels)
        )
        / goal.availability
        for answer in stocked.answers
    ]


def _busiest_hour(arrivals: list[float]) -> int:
    """The most orders that came within any 60 minutes."""
    return max(n + 1 - bisect_left(arrivals, at - _HOUR_S + 1e-9) for n, at in enumerate(arrivals))


def _by_replay(
    arrivals: list[float], held: list[float], mean: float, busiest: float, goal: StationGoal
) -> StationsAnswer:
    worked = sum(held)
    manned = _time_with_orders(arrivals)

    def tried(stations: int) -> StationsTried:
        waited = waits(arrivals, held, stations)
        return StationsTried(
            stations=stations,
            share_within=share_within(waited, goal.start_within_s),
            mean_wait_s=sum(waited) / len(waited),
            longest_wait_s=max(waited),
            busy_share=worked / (stations * manned),
        )

    return _answer(CountedBy.REPLAY, tried, busiest, mean, goal)


def _time_with_orders(arrivals: list[float]) -> float:
    """Time of all clock hours, from the first order on, in which an order came, s."""
    return _HOUR_S * len({int(at // _HOUR_S) for at in arrivals})


def _by_formula(per_hour: float, mean: float, goal: StationGoal) -> StationsAnswer:
    load = per_hour / _HOUR_S * mean

    def tried(stations: int) -> StationsTried:
        return StationsTried(
            stations=stations,
            share_within=probability_within(stations, load, mean, goal.start_within_s),
            mean_wait_s=mean_wait(stations, load, mean),
            busy_share=load / stations,
        )

    return _answer(CountedBy.FORMULA, tried, per_hour, mean, goal)


def _answer(
    by: CountedBy,
    tried: Callable[[int], StationsTried],
    per_hour: float,
    mean: float,
    goal: StationGoal,
) -> StationsAnswer:
    """The fewest stations that do, and their neighbours."""
    enough = _fewest(tried, goal.share_within)
    rows = tuple(tried(n) for n in range(max(1, enough - 2), enough + 3))
    got = next(row for row in rows if row.stations == enough)
    how = (
        "by the orders' own times, first come first served"
        if by is CountedBy.REPLAY
        else f"by Erlang C at {ceil(per_hour)} orders an hour"
    )
    return StationsAnswer(
        by=by,
        stations=enough,
        orders_per_hour=per_hour,
        seconds_per_order=mean,
        tried=rows,
        text=f"{enough} station{'' if enough == 1 else 's'} {how}: {got.share_within:.1%} of orders"
        f" start within {goal.start_within_s:.0f} s (asked: {goal.share_within:.1%}), stations busy"
        f" {got.busy_share:.0%} of the time",
    )


def _fewest(tried: Callable[[int], StationsTried], share: float) -> int:
    """Found by halving, because with more stations nobody waits longer."""
    enough = 1
    while tried(enough).share_within < share:
        enough *= 2
        if enough > _MOST:
            raise StudyWrong(
                f"not even {_MOST} stations start orders soon enough: look at the rate, the"
                " seconds per bag and the wait that is allowed"
            )
    too_few = enough // 2
    while enough - too_few > 1:
        middle = (too_few + enough) // 2
        if tried(middle).share_within < share:
            too_few = middle
        else:
            enough = middle
    return enough
