"""Whether the machine slept amid a delivery: by then another gateway may have the station.

A suspended machine's monotonic clock stands still, and with it every deadline of the loop. What was
about to be sent when it fell asleep must not be sent when it wakes.
"""

import time

_SLEPT_S = 1.0
"""Less is no sleep: the two clocks are read one after the other."""


def asleep_s() -> float:
    """Seconds that this machine slept since it started; 0 where the system does not tell.

    Linux: CLOCK_BOOTTIME counts them and CLOCK_MONOTONIC does not (clock_gettime(2)).
    """
    if not hasattr(time, "CLOCK_BOOTTIME"):
        return 0.0
    return time.clock_gettime(time.CLOCK_BOOTTIME) - time.clock_gettime(time.CLOCK_MONOTONIC)


class Awake:
    """Since when the machine should have been awake."""

    def __init__(self) -> None:
        self._asleep_s = asleep_s()

    def still(self) -> bool:
        """Whether it has not slept since."""
        return asleep_s() - self._asleep_s < _SLEPT_S
