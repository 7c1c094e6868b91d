"""The loop whose time passes at once keeps the order of what waits, and waits for threads."""

import asyncio
import time
from collections.abc import Coroutine
from typing import Any

import pytest

from tests.rigs.quick_time import QuickLoop


def _run(work: Coroutine[Any, Any, Any]) -> Any:
    with asyncio.Runner(loop_factory=QuickLoop) as runner:
        return runner.run(work)


def test_an_hour_passes_in_the_order_of_the_waits() -> None:
    """Each waits its own time, and the loop's clock says so."""
    seen: list[tuple[int, float]] = []

    async def wait(seconds: int) -> None:
        await asyncio.sleep(seconds)
        seen.append((seconds, asyncio.get_running_loop().time()))

    async def all_of_them() -> None:
        await asyncio.gather(*(wait(seconds) for seconds in (3600, 5, 60)))

    _run(all_of_them())
    assert [(5, pytest.approx(5)), (60, pytest.approx(60)), (3600, pytest.approx(3600))] == seen


def test_time_stands_while_a_thread_works() -> None:
    """A deadline is not reached just because a thread is slow."""

    async def work() -> str:
        async with asyncio.timeout(0.001):
            return await asyncio.to_thread(lambda: time.sleep(0.05) or "done")  # type: ignore[func-returns-value]

    assert "done" == _run(work())


def test_deadline_ends_what_never_comes() -> None:
    """A timeout still ends a wait."""

    async def work() -> None:
        async with asyncio.timeout(1000):
            await asyncio.Event().wait()

    with pytest.raises(TimeoutError):
        _run(work())
