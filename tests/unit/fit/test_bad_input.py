"""Bad input gives a clear error or the manual outcome, and never a hang."""

import pytest
from pydantic import ValidationError

from gateway.fit import Room, decide
from schemas.decision import Decision, Outcome
from schemas.goods import Size
from schemas.order import Line, Order
from tests.unit.fit.given import a_site, box, codes, order, station

SITE = a_site()


def answer(asked: Order) -> Decision:
    """The decision with every station of the room."""
    return decide(asked, Room.of(SITE), SITE.station)


@pytest.mark.parametrize("side", [0, -1, float("nan"), float("inf")])
def test_impossible_side_is_refused_where_it_enters(side: float) -> None:
    """Zero, negative, not a number and endless are no sizes."""
    with pytest.raises(ValidationError):
        Size(length=side, width=10, height=10)


@pytest.mark.parametrize("quantity", [0, -1, 1_000_001])
def test_impossible_quantity_is_refused_where_it_enters(quantity: int) -> None:
    """A line holds from one to a million pieces."""
    with pytest.raises(ValidationError):
        Line(line_id="l1", item=box(1, 1, 1), quantity=quantity)


def test_thirty_metres_are_taken_for_a_typing_error() -> None:
    """An absurd size goes to manual packing with a hint at the unit."""
    decision = answer(order(box(30_000, 100, 100)))
    assert (Outcome.MANUAL, {"size_absurd"}) == (decision.outcome, codes(decision))
    assert "unit" in decision.reasons[0].text


@pytest.mark.timeout(5)
def test_million_pieces_are_answered_at_once() -> None:
    """The count alone decides; nothing is laid out."""
    decision = answer(order((box(10, 10, 10), 1_000_000)))
    assert (Outcome.MANUAL, {"too_many_pieces"}) == (decision.outcome, codes(decision))


@pytest.mark.timeout(10)
def test_ten_thousand_lines_are_answered_at_once() -> None:
    """The longest order that is taken."""
    line = Line(line_id="l", item=box(10, 10, 10))
    decision = answer(Order(order_id="o", lines=(line,) * 10_000))
    assert {"too_many_pieces"} == codes(decision)


@pytest.mark.timeout(30)
def test_most_pieces_that_are_laid_out_still_end() -> None:
    """Two hundred different pieces that fit no bag at once."""
    items = [box(40 + n, 30 + n % 17, 20 + n % 11) for n in range(200)]
    assert answer(order(*items)).outcome in set(Outcome)


def test_missing_size_names_its_line() -> None:
    """The article to be mended is named, and every such line."""
    decision = answer(order(box(10, 10, 10), box(1, 1, 1, size=None), box(1, 1, 1, size=None)))
    assert ["line l2", "line l3"] == [reason.text[:7] for reason in decision.reasons]


def test_station_with_nothing_loaded_says_so() -> None:
    """An empty station is no riddle."""
    site = a_site(station=[station("s1")])
    decision = decide(order(box(10, 10, 10)), Room.of(site), site.station)
    assert {"no_bag_loaded"} == codes(decision)


def test_no_station_at_all_says_so() -> None:
    """Asking nobody is answered too."""
    assert Outcome.MANUAL is decide(order(box(10, 10, 10)), Room.of(SITE), []).outcome


def test_monstrous_size_is_told_in_a_short_sentence() -> None:
    """A slip of the exponent does not print three hundred digits."""
    decision = answer(order(box(1e300, 100, 100)))
    assert {"size_absurd"} == codes(decision)
    assert "1e+300 mm" in decision.reasons[0].text
    assert len(decision.reasons[0].text) < 120
