"""What the ceiling strikes out could not have come below it."""

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gateway.fit.ceiling import Ceiling

share = st.floats(0.05, 1.0)
side = st.floats(10, 300)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    st.tuples(side, side, side),
    st.tuples(share, share, share),
    st.floats(0.5, 1.0),
    st.floats(0.001, 0.2),
)
@example((200.0, 200.0, 100.0), (0.05, 0.05, 0.05), 1.0, 0.001)
def test_envelope_inside_a_whole_stacking_on_the_stair_lives_on(
    whole: tuple[float, float, float],
    parts: tuple[float, float, float],
    fill: float,
    step: float,
) -> None:
    """A whole stacking that is not above the stair keeps its envelopes: pruning loses nothing."""
    (low, high), up = sorted(whole[:2]), whole[2]
    large, small = high + up, low + up
    stair = np.array([1 - step, 1.0, 1 + step])
    envelope = [part * side_ for part, side_ in zip(parts, (low, high, up), strict=True)]
    inner = envelope[0] * envelope[1] * envelope[2]
    within = fill * inner
    # as much goods as the rest of the stacking can hold
    goods = within + low * high * up - inner
    ceiling = Ceiling.over(large * stair, small * stair[::-1], goods, 0.0, 0.0)
    arrays = (np.array([value]) for value in (*envelope, within))
    assert ceiling.may_come_below(*arrays).all()


def test_envelope_with_too_much_waste_is_struck_out() -> None:
    """A stacking that already wastes more than the stair leaves room for is of no use."""
    large, small = np.array([200.0]), np.array([200.0])
    ceiling = Ceiling.over(large, small, 950_000.0, 150.0, 210.0)
    low, high, up = np.array([60.0]), np.array([60.0]), np.array([100.0])
    assert not ceiling.may_come_below(low, high, up, np.array([10_000.0])).any()
    assert ceiling.may_come_below(low, high, up, np.array([350_000.0])).all()
