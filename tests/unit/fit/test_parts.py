"""An order needs no less than any part of it."""

from random import Random

from gateway.fit.arrangement import Arrangement
from gateway.fit.front import front_of
from gateway.fit.parts import cut, undominated
from gateway.fit.pieces import kind_of
from tests.unit.fit.given import box


def at(width: float, length: float) -> Arrangement:
    """An arrangement with these needs."""
    return Arrangement(width, length, (1.0, 1.0, 1.0), list)


def needs(front: list[Arrangement]) -> list[tuple[float, float]]:
    """Widths and lengths."""
    return [(one.width, one.length) for one in front]


def test_whole_takes_no_bag_that_a_part_does_not_take() -> None:
    """Worked by hand: at width 10 the part needs length 22, at 14 the whole needs 20 itself."""
    own, part = [at(10, 20), at(20, 10)], [at(10, 22), at(14, 15), at(19, 12), at(25, 9)]
    assert [(10, 22), (14, 20), (20, 12), (25, 10)] == needs(cut(own, [part]))


def test_part_that_needs_less_changes_nothing() -> None:
    """A larger bag than a part needs is what one expects."""
    own = [at(10, 20), at(20, 10)]
    assert own == cut(own, [[at(5, 9), at(9, 5)]])


def test_whole_fits_nowhere_where_a_part_fits_nowhere() -> None:
    """Nothing is thin enough for the part, so nothing is for the whole."""
    assert [] == cut([at(10, 20)], [[at(5, 5)], []])


def test_front_has_each_arrangement_turned_too() -> None:
    """A quarter turn swaps the needs; what another is within is left out."""
    assert [(10, 20), (15, 15), (20, 10)] == needs(
        undominated([at(20, 10), at(15, 15), at(16, 16)])
    )


def test_every_bag_for_four_boxes_takes_any_three_of_them() -> None:
    """The law itself on whole fronts, and not for the least film alone."""
    chance = Random(4)
    for _ in range(25):
        boxes = [kind_of(box(*(chance.randint(5, 250) for _ in range(3)))) for _ in range(4)]
        whole = front_of(boxes).arrangements
        for left_out in range(4):
            part = front_of(boxes[:left_out] + boxes[left_out + 1 :]).arrangements
            for bag in whole:
                assert any(
                    one.width <= bag.width + 1e-9 and one.length <= bag.length + 1e-9
                    for one in part
                )
