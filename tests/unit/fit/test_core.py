"""The compiled core of the search against the search in Python: the same to the last bit."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.fit import core
from gateway.fit.bound import floor_of
from gateway.fit.front import forget, front_of
from gateway.fit.pieces import Kind, kind_of
from tests.unit.fit.given import box

pytestmark = pytest.mark.skipif(
    core.SOLVE is None, reason="no compiled core: it was installed where no C compiler works"
)

sides = st.one_of(st.integers(5, 250).map(float), st.floats(5, 250))


@st.composite
def kinds(draw: st.DrawFn) -> Kind:
    """A piece of any shape and handling."""
    shape = draw(st.sampled_from(["box", "box", "cylinder", "soft", "flat"]))
    length, width, height = draw(sides), draw(sides), draw(sides)
    if shape == "cylinder":
        width = height
    more = {
        "compresses_to": 0.6 if shape == "soft" else 1.0,
        "soft_section": draw(st.sampled_from(["stadium", "ellipse"])),
        "mass_g": draw(st.sampled_from([None, 50.0, 60.0, 400.0])),
        "handling": {
            "turn": draw(st.sampled_from(["any", "never_on_edge", "this_side_up"])),
            "fragile": draw(st.sampled_from([False, False, True])),
        },
    }
    return kind_of(box(length, width, height, shape=shape, **more))


orders = st.lists(st.tuples(kinds(), st.integers(1, 2)), min_size=1, max_size=5).map(
    lambda lines: [kind for kind, count in lines for _ in range(count)][:5]
)
Seen = list[tuple[object, ...]]


def seen(pieces: list[Kind], max_up: float) -> Seen:
    """Everything that a front tells."""
    forget()
    return [
        (
            one.width,
            one.length,
            one.size,
            one.turned,
            *tuple((laid.block, laid.x, laid.y, laid.z) for laid in one.laid),
        )
        for one in front_of(pieces, max_up).arrangements
    ]


@settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
@given(orders, st.sampled_from([float("inf"), 120.0, 40.0]))
def test_both_searches_answer_the_same(
    monkeypatch: pytest.MonkeyPatch, pieces: list[Kind], max_up: float
) -> None:
    """Same needs, same layouts, same order of them: whether a machine has a compiler shows only
    in the time."""
    compiled = seen(pieces, max_up)
    with monkeypatch.context() as without:
        without.setattr(core, "SOLVE", None)
        assert seen(pieces, max_up) == compiled


def test_many_alike_pieces_are_searched_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    """A group of like pieces, where sub-orders are counts."""
    pieces = [kind_of(box(120, 80, 33))] * 9 + [kind_of(box(60, 50, 10))]
    compiled = seen(pieces, float("inf"))
    assert compiled
    monkeypatch.setattr(core, "SOLVE", None)
    assert seen(pieces, float("inf")) == compiled


@settings(max_examples=150, deadline=None, derandomize=True)
@given(kinds(), kinds())
def test_both_put_the_same_floor_under_two_pieces(one: Kind, two: Kind) -> None:
    """The bound of an answer does not depend on a compiler either."""
    with pytest.MonkeyPatch.context() as without:
        compiled = floor_of([one, two])
        without.setattr(core, "SOLVE", None)
        assert floor_of([one, two]) == compiled
