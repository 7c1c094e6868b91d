"""The only clock of the gateway: wall time for people, monotonic time for waiting.

Wall time may jump (a person sets it, a time server mends it); nothing that waits, leases or times
out may look at it. Whatever needs a clock is handed one, so that a test can move time by hand.
"""

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """Two readings that must never be mixed."""

    def now(self) -> datetime:
        """Wall time, UTC, for records that people read."""
        ...

    def monotonic(self) -> float:
        """Seconds since some start, never going back, for leases, deadlines and durations.

        It goes on while the machine sleeps: a lease that ran out then has run out.
        """
        ...


def elapsed() -> float:
    """Seconds on the machine's clock that never goes back and counts its sleep too.

    Linux has it as CLOCK_BOOTTIME (clock_gettime(2)); elsewhere the monotonic clock must do, which
    stands still while a virtual machine is suspended.
    """
    return time.monotonic() if _BOOTTIME is None else time.clock_gettime(_BOOTTIME)


_BOOTTIME: int | None = getattr(time, "CLOCK_BOOTTIME", None)


class SystemClock:
    """The machine's own clocks."""

    def now(self) -> datetime:
        """Wall time, UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds that passed, the machine's sleep among them."""
        return elapsed()


class ManualClock:
    """A clock that stands until it is moved."""

    def __init__(self, start: datetime = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)) -> None:
        if start.tzinfo is None:
            raise ValueError("a clock starts at a time with a zone")
        self._wall = start.astimezone(UTC)
        self._monotonic = 0.0

    def now(self) -> datetime:
        """Wall time as last set."""
        return self._wall

    def monotonic(self) -> float:
        """Seconds that were advanced so far."""
        return self._monotonic

    def advance(self, seconds: float) -> None:
        """Let time pass on both clocks."""
        if seconds < 0:
            raise ValueError("time passes forwards; use jump_wall for a clock that was set back")
        self._wall += timedelta(seconds=seconds)
        self._monotonic += seconds

    def jump_wall(self, seconds: float) -> None:
        """Set the wall clock forwards or back, as a person or a time server does."""
        self._wall += timedelta(seconds=seconds)


def instant_text(moment: datetime) -> str:
    """UTC as RFC 3339 of one width, microseconds always written, so that text sorts as time."""
    return f"{moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec='microseconds')}Z"
