"""Laws of a study: its sums are the fit's single answers; more choice never makes it worse."""

import random
from itertools import pairwise
from math import fsum

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from schemas.decision import Outcome
from schemas.goods import Item, Shape
from schemas.order import Order
from schemas.rules import Aim
from schemas.site import Site
from schemas.study import StudyAnswer, Totals
from tests.unit.fit.given import box, order
from tests.unit.study.planned import (
    CANDIDATES,
    answered,
    decided,
    room_site,
    timed,
)

GOODS = (
    box(90, 60, 10, sku="a"),
    box(150, 110, 25, sku="b"),
    box(210, 160, 30, sku="c"),
    box(260, 220, 60, sku="d", mass_g=900),
    box(330, 270, 70, sku="e", mass_g=1500),
    box(220, 170, 40, sku="f", shape=Shape.SOFT, compresses_to=0.6),
    box(700, 600, 500, sku="g"),
)
"""From what any bag takes to what none does."""

lines = st.lists(
    st.tuples(st.sampled_from(GOODS), st.integers(1, 2)),
    min_size=1,
    max_size=2,
    unique_by=lambda line: line[0].sku,
)
few = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@st.composite
def past(draw: st.DrawFn) -> list[Order]:
    """A few different orders, some of them several times."""
    contents: list[list[tuple[Item, int]]] = draw(st.lists(lines, min_size=1, max_size=6))
    counts = draw(st.lists(st.integers(1, 4), min_size=len(contents), max_size=len(contents)))
    return [
        order(*content, order_id=f"o{number}-{turn}")
        for number, (content, count) in enumerate(zip(contents, counts, strict=True))
        for turn in range(count)
    ]


def _summed(
    orders: list[Order], bags: tuple[str, ...], site: Site, at: str = "s1"
) -> tuple[float, ...]:
    """Packed, parcels, film, mass and cost of each order asked by itself."""
    answers = decided(orders, bags, site, at)
    parcels = [parcel for answer in answers for parcel in answer.parcels]
    return (
        sum(answer.outcome is Outcome.PACKED for answer in answers),
        len(parcels),
        fsum(parcel.film_area_mm2 for parcel in parcels) / 1e6,
        fsum(parcel.film_mass_g for parcel in parcels) / 1e3,
        fsum(parcel.cost or 0.0 for parcel in parcels),
    )


def _told(totals: Totals) -> tuple[float, ...]:
    cost = totals.cost or 0.0
    return totals.packed, totals.parcels, totals.film_m2, totals.film_kg, cost


@few
@given(past(), st.sampled_from(Aim))
def test_totals_are_the_sum_of_the_fit_s_single_answers(orders: list[Order], aim: Aim) -> None:
    """Every point of the curve, today's bags and an alternative at another station; every order
    is counted once."""
    site = room_site(packing={"aim": aim.value})
    tube = {"name": "tube", "bags": ["tube"], "station": "s2"}
    answer = answered(timed(orders), site, alternative=[tube])
    for point in answer.curve:
        assert len(orders) == point.totals.orders == point.totals.packed + point.totals.manual
        assert _summed(orders, point.bags, site) == pytest.approx(_told(point.totals))
    forms = {form.name: form for form in answer.forms}
    assert _summed(orders, ("big",), site) == pytest.approx(_told(forms["today"].totals))
    assert _summed(orders, ("tube",), site, "s2") == pytest.approx(_told(forms["tube"].totals))


@few
@given(past(), st.randoms(use_true_random=False))
def test_order_of_the_lines_does_not_matter(orders: list[Order], chance: random.Random) -> None:
    """Not one figure of curve, alternatives, stock or stations changes."""
    stations = {"seconds_per_bag": 20, "start_within_s": 30, "share_within": 0.9}
    asked = {"slots": 1, "reserve": {"cover_days": 5}, "stations": stations}
    lines_ = timed(orders)
    straight = answered(lines_, **asked)
    mixed = list(lines_)
    chance.shuffle(mixed)
    assert straight == answered(mixed, **asked)


@few
@given(past())
def test_one_more_size_never_makes_it_worse(orders: list[Order]) -> None:
    """Fewer parcels are missed or, with as few, no more film is taken."""
    curve = answered(timed(orders)).curve
    for before, after in pairwise(curve):
        assert after.missed_parcels <= before.missed_parcels
        if before.missed_parcels == 0 and _all_whole(before.totals, after.totals):
            assert after.totals.film_m2 <= before.totals.film_m2 + 1e-9
    assert all(point.proved for point in curve)


def _all_whole(*lists: Totals) -> bool:
    """No order is in several parcels: those the fit may part otherwise with other bags."""
    return all(totals.parcels == totals.packed for totals in lists)


@few
@given(past(), st.integers(2, 5))
def test_one_more_candidate_never_makes_it_worse(orders: list[Order], count: int) -> None:
    """As many sizes from a longer list: no more orders by hand and, where as many are packed, no
    more film."""
    fewer = answered(timed(orders), candidates=CANDIDATES[-count:], most_sizes=2, look_at=2)
    more = answered(timed(orders), candidates=CANDIDATES[-count - 1 :], most_sizes=2, look_at=2)
    before, after = _last(fewer), _last(more)
    assert after.manual <= before.manual
    if after.manual == before.manual and _all_whole(before, after):
        assert after.film_m2 <= before.film_m2 + 1e-9


def _last(answer: StudyAnswer) -> Totals:
    return answer.curve[-1].totals


@few
@given(past())
def test_all_sizes_at_once_pack_as_the_fit_would_with_all_loaded(orders: list[Order]) -> None:
    """The end of the curve is what no list of these candidates can beat."""
    last = answered(timed(orders), most_sizes=6).curve[-1]
    assert _summed(orders, CANDIDATES, room_site()) == pytest.approx(_told(last.totals))


def test_an_order_that_comes_twice_is_counted_once() -> None:
    """The scan's event and its repeat are one order, at its first time."""
    orders = [order(GOODS[0], order_id=name) for name in ("x", "y", "x")]
    answer = answered(timed(orders))
    assert (2, 1, 1) == (answer.orders, answer.repeated, answer.contents)
    assert timed(orders)[1].at == answer.last
