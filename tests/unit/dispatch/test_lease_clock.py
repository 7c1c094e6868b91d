"""A lease ends by a clock that goes on while the machine sleeps, and then nothing may be sent."""

import time
from typing import cast

import pytest

from gateway import clock as clocks
from gateway.clock import ManualClock, SystemClock
from gateway.dispatch.dispatcher import Dispatcher
from gateway.dispatch.lease import Lease
from gateway.metrics import Metrics
from gateway.store.store import Store


async def _no_signal(*_: object) -> None:
    return None


def test_machine_that_slept_past_its_lease_owns_no_lane() -> None:
    """The gateway ran not one step meanwhile: what the clock says when it wakes decides."""
    clock = ManualClock()
    # neither is touched while nothing starts
    nothing = cast("Store", None), clock, cast("Metrics", None)
    dispatcher = Dispatcher("us", {}, *nothing, on_signal=_no_signal)
    dispatcher._leases["s1"] = Lease("s1", "us", 1, good_until=clock.monotonic() + 6.0)
    assert dispatcher.owns("s1")
    clock.advance(5.9)
    assert dispatcher.owns("s1")
    clock.advance(3600.0)
    assert not dispatcher.owns("s1")


def test_sleep_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """The monotonic clock stood for an hour, as it does on a suspended machine; ours did not."""
    if not hasattr(time, "CLOCK_BOOTTIME"):
        pytest.skip("this system has no clock that counts its sleep")
    slept = [0.0]

    def read(which: int) -> float:
        assert which == time.CLOCK_BOOTTIME
        return 100.0 + slept[0]

    monkeypatch.setattr(time, "clock_gettime", read)
    monkeypatch.setattr(time, "monotonic", lambda: 100.0)
    clock = SystemClock()
    before = clock.monotonic()
    slept[0] = 3600.0
    assert 3600.0 == clock.monotonic() - before


def test_without_such_a_clock_the_monotonic_one_serves(monkeypatch: pytest.MonkeyPatch) -> None:
    """Other systems have their own: time never goes back there either."""
    monkeypatch.setattr(clocks, "_BOOTTIME", None)
    first = SystemClock().monotonic()
    assert first <= SystemClock().monotonic() <= time.monotonic()
