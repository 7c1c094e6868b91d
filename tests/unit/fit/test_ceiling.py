"""What the ceiling strikes out could not have come below it."""

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from gateway.fit.ceiling import Ceiling

share = st.floats(0.05, 1.0)
side = st.floats(10, 300)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(side, side, side), min_size=1, max_size=5),
    st.tuples(side, side, side),
    st.tuples(share, share, share),
    share,
)
def test_envelope_inside_a_whole_stacking_below_the_stair_lives_on(
    stair: list[tuple[float, float, float]],
    whole: tuple[float, float, float],
    parts: tuple[float, float, float],
    fill: float,
) -> None:
    """Any whole stacking below the stair has each of its envelopes kept (pruning loses nothing)."""
    sides = [[*sorted(one[:2]), one[2]] for one in stair]
    large = np.array([high + up for _, high, up in sides])
    small = np.array([low + up for low, _, up in sides])
    (low, high), up = sorted(whole[:2]), whole[2]
    envelope = [part * all_ for part, all_ in zip(parts, (low, high, up), strict=True)]
    inner = envelope[0] * envelope[1] * envelope[2]
    within = fill * inner
    goods = within + fill * (low * high * up - inner)
    # every stair step is a whole stacking, so that the goods fit in it
    assume(all(a * b * c >= goods for a, b, c in stair))
    assume(not np.any((large < high + up) & (small < low + up)))
    ceiling = Ceiling.over(large, small, goods, 0.0, 2000.0)
    arrays = (np.array([value]) for value in (*envelope, within))
    assert ceiling.may_come_below(*arrays).all()


def test_envelope_with_too_much_waste_is_struck_out() -> None:
    """A stacking that already wastes more than the stair leaves room for is of no use."""
    large, small = np.array([200.0]), np.array([200.0])
    ceiling = Ceiling.over(large, small, 950_000.0, 150.0, 210.0)
    low, high, up = np.array([60.0]), np.array([60.0]), np.array([100.0])
    assert not ceiling.may_come_below(low, high, up, np.array([10_000.0])).any()
    assert ceiling.may_come_below(low, high, up, np.array([350_000.0])).all()
