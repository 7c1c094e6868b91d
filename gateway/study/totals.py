"""What all orders take with one list of bags: the sum of the fit's single answers."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import fsum

from gateway.study.changeovers import changes
from gateway.study.past import Past
from gateway.study.replay import Answer, Bagged
from schemas.base import BagId
from schemas.station import Station
from schemas.study import Difference, Totals


@dataclass(frozen=True, slots=True)
class Stocked:
    """A list of bags at a station like this, and the fit's answer to each content with it."""

    bags: tuple[BagId, ...]
    station: Station
    answers: tuple[Answer, ...]
    """By the place of the content."""


def parcels_in_time(past: Past, stocked: Stocked) -> Iterator[Bagged]:
    """Every parcel of every order, as the orders came."""
    for call in past.calls:
        yield from stocked.answers[call.content].parcels


def changes_of(past: Past, stocked: Stocked, slots: int | None) -> Counter[BagId] | None:
    """Changes to each bag; none where times or slots are not known."""
    if slots is None or not past.timed:
        return None
    return changes((parcel.bag for parcel in parcels_in_time(past, stocked)), slots)


def totals_of(past: Past, stocked: Stocked, slots: int | None = None) -> Totals:
    """Film, mass, cost, void and changeovers of all orders."""
    weighed = list(zip(stocked.answers, past.counts, strict=True))
    orders, packed = sum(past.counts), sum(n for answer, n in weighed if answer.parcels)
    parcels = sum(n * len(answer.parcels) for answer, n in weighed)
    changed = changes_of(past, stocked, slots)
    count = None if changed is None else changed.total()
    void = _sum(weighed, lambda one: one.void) or 0.0
    return Totals(
        orders=orders,
        packed=packed,
        manual=orders - packed,
        manual_share=(orders - packed) / orders if orders else 0.0,
        parcels=parcels,
        film_m2=(_sum(weighed, lambda one: one.film_mm2) or 0.0) / 1e6,
        film_kg=(_sum(weighed, lambda one: one.film_g) or 0.0) / 1e3,
        bag_cost=_sum(weighed, lambda one: one.price),
        cost=_sum(weighed, lambda one: one.cost),
        void_share=min(1.0, void / parcels) if parcels else None,
        changeovers=count,
        changeover_minutes=None if count is None else count * stocked.station.changeover_min,
    )


def difference(past: Past, other: Stocked, today: Stocked) -> Difference:
    """`other` less `today`, over the orders that both pack: else the one that leaves more to hand
    would seem to save."""
    both = [
        (one, two, n)
        for one, two, n in zip(other.answers, today.answers, past.counts, strict=True)
        if one.parcels and two.parcels
    ]
    ours = [(one, n) for one, _, n in both]
    theirs = [(two, n) for _, two, n in both]
    film = _less(ours, theirs, lambda one: one.film_mm2) or 0.0
    before = _sum(theirs, lambda one: one.film_mm2) or 0.0
    return Difference(
        orders=sum(n for _, _, n in both),
        film_m2=film / 1e6,
        film_kg=(_less(ours, theirs, lambda one: one.film_g) or 0.0) / 1e3,
        bag_cost=_less(ours, theirs, lambda one: one.price),
        cost=_less(ours, theirs, lambda one: one.cost),
        film_share=film / before if before else None,
        parcels=sum(n * (len(one.parcels) - len(two.parcels)) for one, two, n in both),
    )


_Weighed = Sequence[tuple[Answer, int]]


def _sum(weighed: _Weighed, figure: Callable[[Bagged], float | None]) -> float | None:
    """Over all parcels; none where one of them lacks the figure."""
    found: list[float] = []
    for answer, n in weighed:
        for parcel in answer.parcels:
            one = figure(parcel)
            if one is None:
                return None
            found.append(n * one)
    return fsum(found)


def _less(
    ours: _Weighed, theirs: _Weighed, figure: Callable[[Bagged], float | None]
) -> float | None:
    one, two = _sum(ours, figure), _sum(theirs, figure)
    return None if one is None or two is None else one - two
