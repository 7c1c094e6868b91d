"""An event loop whose time passes at once where nothing is left to do but wait.

Timeouts, pauses and backoffs keep their order and cost nothing, so that thousands of runs over a
line in memory can be tried. Work in threads is waited for: while some is under way, time stands.
"""

import asyncio
import selectors
from collections.abc import Callable
from concurrent.futures import Executor
from selectors import SelectorKey
from typing import Any, TypeVar

T = TypeVar("T")
_GLANCE_S = 0.0005


class _Selector(selectors.DefaultSelector):
    """Tells the loop how long it would have slept instead of sleeping."""

    def __init__(self) -> None:
        super().__init__()
        self.slept: Callable[[float], bool] = lambda _: False

    def select(self, timeout: float | None = None) -> list[tuple[SelectorKey, int]]:
        """What is ready now; time jumps where that is nothing and nobody else works."""
        while not (ready := super().select(0)) and timeout != 0:
            if timeout is not None and self.slept(timeout):
                break
            if ready := super().select(_GLANCE_S):
                break
        return ready


class QuickLoop(asyncio.SelectorEventLoop):
    """The loop. Its clock begins at zero."""

    def __init__(self) -> None:
        selector = _Selector()
        self._now = 0.0
        self._in_threads = 0
        super().__init__(selector)
        selector.slept = self._slept

    def time(self) -> float:
        """Seconds that were waited for."""
        return self._now

    def run_in_executor(  # type: ignore[override]
        self, executor: Executor | None, func: Callable[..., T], *args: Any
    ) -> "asyncio.Future[T]":
        """Time stands until it is done."""
        self._in_threads += 1
        future = super().run_in_executor(executor, func, *args)
        future.add_done_callback(self._back)
        return future

    def _back(self, _: "asyncio.Future[Any]") -> None:
        self._in_threads -= 1

    def _slept(self, seconds: float) -> bool:
        if self._in_threads:
            return False
        self._now += seconds
        return True
