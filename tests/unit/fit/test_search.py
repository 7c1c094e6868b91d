"""The search for layouts: against a solver for few pieces, by its own bound for many."""

from random import Random

import numpy as np
import pytest

from gateway.fit import Room, decide
from gateway.fit.front import forget, front_of
from gateway.fit.pairs import Pairs, undominated
from gateway.fit.pieces import kind_of
from schemas.decision import Outcome
from tests.bench.fit.oracle import least_bounding_area
from tests.unit.fit.checker import faults
from tests.unit.fit.given import a_bag_site, box, order

ROOMY = a_bag_site(
    {
        "form": "sealed_film",
        "min_width_mm": 1,
        "max_width_mm": 4000,
        "min_length_mm": 1,
        "max_length_mm": 8000,
    }
)


@pytest.mark.parametrize("count", [2, 3, 4, 5])
def test_film_is_not_above_the_proven_bounding_box_optimum(count: int) -> None:
    """Within 3 % of what CP-SAT proves for whole boxes, and mostly below it by the hull.

    Source: the optimum of an exact solver (CP-SAT of ortools), which knows nothing of this search.
    """
    chance = Random(count)
    for _ in range(3):
        boxes = [
            (chance.randint(60, 300), chance.randint(40, 200), chance.randint(10, 90))
            for _ in range(count)
        ]
        optimum, proved = least_bounding_area(boxes)
        assert proved
        front = front_of([kind_of(box(*sides)) for sides in boxes]).arrangements
        assert min(one.width * one.length for one in front) <= 1.03 * optimum


@pytest.mark.parametrize(("different", "each"), [(7, 1), (15, 1), (4, 6), (60, 1), (2, 40)])
def test_many_pieces_get_a_valid_layout_with_a_bound(different: int, each: int) -> None:
    """Beyond six pieces the search is bounded, and its answer still holds."""
    chance = Random(different)
    lines = [
        (
            box(
                chance.randint(20, 120),
                chance.randint(20, 90),
                chance.randint(5, 60),
                handling={"fragile": chance.random() < 0.2},
            ),
            each,
        )
        for _ in range(different)
    ]
    asked = order(*lines)
    decision = decide(asked, Room.of(ROOMY), ROOMY.station)
    assert [] == faults(decision, asked, ROOMY)
    assert (Outcome.PACKED, 1) == (decision.outcome, len(decision.parcels))
    film = decision.parcels[0].film_area_mm2
    assert 0.4 * film < decision.lower_bound_film_area_mm2 <= film


def test_mixed_shapes_in_a_large_order_get_a_valid_layout() -> None:
    """Rolls, soft goods and documents are merged as boxes are."""
    chance = Random(7)
    lines = []
    for number in range(12):
        shape = ("box", "cylinder", "soft", "flat")[number % 4]
        height = chance.randint(10, 50)
        width = height if shape == "cylinder" else chance.randint(40, 120)
        lines.append(box(chance.randint(60, 200), width, height, shape=shape))
    asked = order(*lines)
    assert [] == faults(decide(asked, Room.of(ROOMY), ROOMY.station), asked, ROOMY)


def test_same_order_gets_the_same_answer() -> None:
    """No chance is used anywhere."""
    asked = order(*(box(50 + 3 * n, 40 + 2 * n, 10 + n) for n in range(9)))
    answers = []
    for _ in range(2):
        forget()
        answers.append(decide(asked, Room.of(ROOMY), ROOMY.station))
    assert answers[0] == answers[1]


def test_fronts_fall_strictly() -> None:
    """A wider arrangement is always a shorter one, or it would be of no use."""
    front = front_of([kind_of(box(150, 90, 40)), kind_of(box(120, 80, 30))]).arrangements
    widths = [one.width for one in front]
    lengths = [one.length for one in front]
    assert sorted(set(widths)) == widths
    assert sorted(set(lengths), reverse=True) == lengths


def test_undominated_keeps_one_of_equals_and_none_that_is_covered() -> None:
    """The least rows remain, each once."""
    rows = np.array([[1, 2, 3], [1, 2, 3], [2, 2, 3], [0, 9, 9], [1, 1, 4]], dtype=float)
    kept = undominated(rows[:, 0], rows[:, 1], rows[:, 2])
    assert {(1, 2, 3), (0, 9, 9), (1, 1, 4)} == {tuple(row) for row in rows[kept].tolist()}
    assert 3 == len(kept)


def test_two_envelopes_join_in_five_ways() -> None:
    """Along, across, the same with one turned, and on top; each kept with its shorter side first.

    Worked by hand: 2 x 7 x 3 beside or on 4 x 5 x 6.
    """
    sizes = tuple(np.array(column, dtype=float) for column in ((2, 4), (7, 5), (3, 6)))
    zero, one = np.array([0]), np.array([1])
    pairs = Pairs(zero, one, zero, sizes)
    joins = zip(pairs.low.ravel(), pairs.high.ravel(), pairs.up.ravel(), strict=True)
    assert [(6, 7, 6), (4, 12, 6), (7, 7, 6), (5, 11, 6), (4, 7, 9)] == list(joins)


@pytest.mark.parametrize(
    "sizes",
    [
        [(80, 120, 30), (20, 90, 10), (190, 50, 80), (70, 150, 10)],
        [(140, 60, 20), (100, 20, 20), (50, 90, 30), (160, 50, 40)],
        [(30, 50, 60), (150, 110, 80), (80, 110, 20), (120, 140, 70)],
    ],
)
def test_piece_over_a_gap_sinks_to_what_lies_under_it(
    sizes: list[tuple[float, float, float]],
) -> None:
    """A piece on a row of uneven heights touches the one below it, and nothing hangs in the air."""
    asked = order(*(box(*sides) for sides in sizes))
    assert [] == faults(decide(asked, Room.of(ROOMY), ROOMY.station), asked, ROOMY)


def test_pile_has_the_widest_in_the_middle() -> None:
    """Film runs straight over what is narrower at both ends: worked by hand.

    231 x 66 x 61, on it 237 x 131 x 11, on it 126 x 104 x 29, all centred. Seen from the end: flats
    of 66 and 104, uprights of 11, slopes over (131 - 66) / 2 and 61 and over (131 - 104) / 2 and
    29; from the side likewise. With the widest below, W would be 205 and L 335.
    """
    width = (66 + 104 + 2 * (11 + (32.5**2 + 61**2) ** 0.5 + (13.5**2 + 29**2) ** 0.5)) / 2
    length = (231 + 126 + 2 * (11 + (3**2 + 61**2) ** 0.5 + (55.5**2 + 29**2) ** 0.5)) / 2
    pieces = [kind_of(box(*s)) for s in ((231, 66, 61), (126, 104, 29), (237, 131, 11))]
    assert any(
        one.width <= width + 1e-6 and one.length <= length + 1e-6
        for one in front_of(pieces).arrangements
    )


def test_much_heavier_piece_lies_below_in_a_pile() -> None:
    """A piece of more than twice another's mass is not laid on it."""
    heavy = box(150, 80, 20, mass_g=900)
    asked = order(heavy, box(140, 75, 20), box(145, 78, 20))
    site = a_bag_site({"width_mm": 165, "length_mm": 240})
    [parcel] = decide(asked, Room.of(site), site.station).parcels
    by_line = {piece.line_id: piece for piece in parcel.pieces}
    assert 0.0 == by_line["l1"].z_mm
    assert parcel.goods_size_mm[2] > 50
