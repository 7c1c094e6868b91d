"""The floor under the film is below everything that can be laid."""

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.fit.bound import floor_of
from gateway.fit.front import front_of
from gateway.fit.pieces import kind_of
from tests.bench.fit.oracle import least_bounding_area
from tests.unit.fit.given import box

sides = st.integers(5, 250)
boxes = st.lists(st.tuples(sides, sides, sides), min_size=1, max_size=4)
QUICK = settings(max_examples=80, deadline=None, derandomize=True)


@QUICK
@given(boxes)
def test_no_layout_needs_less_than_the_floor(sizes: list[tuple[int, int, int]]) -> None:
    """Neither in one direction nor in the product of the two."""
    kinds = [kind_of(box(*size)) for size in sizes]
    floor = floor_of(kinds)
    for one in front_of(kinds).arrangements:
        assert floor.need <= min(one.width, one.length) + 1e-9
        assert floor.product <= one.width * one.length * (1 + 1e-9)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(boxes)
def test_floor_is_below_the_proven_optimum_of_whole_boxes(
    sizes: list[tuple[int, int, int]],
) -> None:
    """A bounding box needs at least what its hull needs. Source: CP-SAT of ortools."""
    optimum, proved = least_bounding_area(sizes)
    assert proved
    assert floor_of([kind_of(box(*size)) for size in sizes]).product <= optimum * (1 + 1e-9)


def test_floor_of_a_cube_is_its_own_need() -> None:
    """One piece is its own bound: W = L = 2 for a unit cube (common practice, no source)."""
    floor = floor_of([kind_of(box(1, 1, 1))])
    assert (2.0, 4.0) == (floor.need, floor.product)


def test_thousand_cubes_can_not_be_packed_below_what_their_volume_asks() -> None:
    """A cushion is the most that two views of one film can hold: 0.263 of s^3 (own derivation)."""
    floor = floor_of([kind_of(box(10, 10, 10))] * 1000)
    assert abs(floor.product - (1e6 / 0.263) ** (2 / 3)) < 1
