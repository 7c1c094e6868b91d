"""Lets a delivery run no longer than the lease on its lane."""

import asyncio
import math
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

_LOOKS = 10
_LOOK_EVERY_S = 0.5


async def renewed_in_time(
    left_s: Callable[[], float], pause: Callable[[float], Awaitable[None]]
) -> bool:
    """Whether a lease that ran out is renewed within some seconds; at once where it lasts.

    A busy store renews late. To give the job back and take it again meanwhile would be two more
    steps for each lane, and keep it busy for good.
    """
    for _ in range(_LOOKS):
        if left_s() > 0:
            return True
        await pause(_LOOK_EVERY_S)
    return left_s() > 0


class WhileLeased:
    """The end of the lease as a deadline, put off by each renewal.

    In a process that slept past the end the deadline is the first thing that happens: what was
    being sent is cancelled before it sends another byte.
    """

    def __init__(self) -> None:
        self._deadline: asyncio.Timeout | None = None

    @asynccontextmanager
    async def holds(self, left_s: float) -> AsyncIterator[None]:
        """Run the block for so long, or as long as it is renewed. Raises `TimeoutError`."""
        async with asyncio.timeout(None if math.isinf(left_s) else left_s) as deadline:
            self._deadline = deadline
            try:
                yield
            finally:
                self._deadline = None

    def renewed(self, left_s: float) -> None:
        """The lease lasts for so long from now."""
        deadline = self._deadline
        if deadline is not None and not deadline.expired() and not math.isinf(left_s):
            deadline.reschedule(asyncio.get_running_loop().time() + left_s)
