"""The closed formulas for two boxes against the general search and the general hull."""

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.fit.blocks import blocks_of
from gateway.fit.front import front_of
from gateway.fit.girth import half_girths
from gateway.fit.layout import lay
from gateway.fit.pieces import kind_of
from gateway.fit.stackings import Stackings, Unit
from tests.unit.fit.given import box

sides = st.integers(5, 250).map(float)
boxes = st.tuples(sides, sides, sides)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(boxes, boxes)
def test_formulas_find_what_the_general_search_finds(
    one: tuple[float, float, float], two: tuple[float, float, float]
) -> None:
    """The least film and the narrowest need are the same, found in two ways."""
    kinds = [kind_of(box(*one)), kind_of(box(*two, mass_g=99))]
    units = [Unit(tuple(blocks_of(n, kind, 1)), 1, kind.volume_mm3) for n, kind in enumerate(kinds)]
    search = Stackings(units)
    general = [half_girths(lay(search, number))[:2] for number in search.solve()]
    closed = [(a.width, a.length) for a in front_of(kinds).arrangements]
    assert abs(min(w * h for w, h in general) - min(w * h for w, h in closed)) < 1e-6
    assert abs(min(min(pair) for pair in general) - min(min(pair) for pair in closed)) < 1e-9


@settings(max_examples=60, deadline=None, derandomize=True)
@given(boxes, boxes)
def test_need_by_formula_is_the_hull_of_the_layout(
    one: tuple[float, float, float], two: tuple[float, float, float]
) -> None:
    """What is promised for two boxes is what their layout measures."""
    for arrangement in front_of([kind_of(box(*one)), kind_of(box(*two))]).arrangements:
        width, length, size = half_girths(arrangement.laid)
        assert abs(width - arrangement.width) < 1e-9
        assert abs(length - arrangement.length) < 1e-9
        assert size == arrangement.size
