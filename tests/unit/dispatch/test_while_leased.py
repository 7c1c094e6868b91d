"""A lease that ran out may be renewed late: the delivery waits for it, but not for ever."""

import pytest

from gateway.dispatch.while_leased import renewed_in_time


@pytest.mark.parametrize(
    ("left_s", "renewed", "looked"),
    [([5.0], True, 0), ([-1.0, -1.0, 4.0], True, 2), ([-1.0], False, 10)],
    ids=["lasts", "renewed late", "lost"],
)
async def test_waits_for_a_renewal(left_s: list[float], renewed: bool, looked: int) -> None:
    """At once where it lasts; as soon as it is renewed; no more than some seconds."""
    pauses: list[float] = []

    async def pause(seconds: float) -> None:
        pauses.append(seconds)

    def left() -> float:
        return left_s[min(len(pauses), len(left_s) - 1)]

    assert renewed == await renewed_in_time(left, pause)
    assert looked == len(pauses)
    assert sum(pauses) <= 5.0
