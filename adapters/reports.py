"""The queue between what receives a station's reports and the `signals` stream."""

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable

from schemas.station import MachineState, Signal, SignalKind

_MOST_UNREAD = 10_000


def _nothing() -> None:
    pass


class Reports:
    """Keeps reports in order, drops repeats by number, ends when the line is closed or lost."""

    def __init__(self) -> None:
        self._kept: deque[tuple[Signal, Callable[[], None]]] = deque(maxlen=_MOST_UNREAD)
        self._stirred = asyncio.Event()
        self._over = True
        self._farewell: Signal | None = None
        self._last = -1

    def begin(self, *, numbers_restart: bool = True) -> None:
        """A line was opened; `numbers_restart` says whether its numbering begins anew."""
        self._over = False
        if numbers_restart:
            self._last = -1

    def take(self, signal: Signal, dealt_with: Callable[[], None] = _nothing) -> None:
        """A report came in. One whose number does not rise was said before.

        `dealt_with` is called when the listener has come back for the next one.
        """
        if signal.number is not None:
            if signal.number <= self._last:
                dealt_with()
                return
            self._last = signal.number
        self._kept.append((signal, dealt_with))
        self._stirred.set()

    def nonsense(self, what: str) -> None:
        """Something came in that is no report."""
        shown = "".join(sign if sign.isprintable() else "?" for sign in what)[:200]
        self.take(Signal(kind=SignalKind.FAULT, detail=shown))

    def lost(self) -> None:
        """The line was lost: say offline, then end, even where another is open by then."""
        if not self._over:
            self._farewell = Signal(kind=SignalKind.STATE, state=MachineState.OFFLINE)
            self.take(self._farewell)
        self.end()

    def end(self) -> None:
        """The line was closed."""
        self._over = True
        self._stirred.set()

    async def stream(self) -> AsyncIterator[Signal]:
        """Reports in order until the end."""
        while True:
            while self._kept:
                signal, dealt_with = self._kept.popleft()
                yield signal
                dealt_with()
                if signal is self._farewell:
                    return
            if self._over:
                return
            self._stirred.clear()
            await self._stirred.wait()
