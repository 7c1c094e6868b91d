"""Fixtures for every test: a clean environment, no task or thread left behind, time by hand."""

import asyncio
import os
import threading
from collections.abc import AsyncIterator, Iterator

import pytest

from gateway.clock import ManualClock


@pytest.fixture(autouse=True, scope="session")
def _no_settings_from_outside() -> None:
    for name in [name for name in os.environ if name.startswith("BAGRELAY_")]:
        del os.environ[name]


@pytest.fixture
def clock() -> ManualClock:
    """A clock that stands until the test moves it."""
    return ManualClock()


@pytest.fixture
async def no_task_left() -> AsyncIterator[None]:
    """Fail a test that leaves a task running."""
    before = asyncio.all_tasks()
    yield
    left = {task for task in asyncio.all_tasks() - before if not task.done()}
    assert not left, f"tasks left behind: {left}"


@pytest.fixture
def no_thread_left() -> Iterator[None]:
    """Fail a test that leaves one of our threads running."""
    before = set(threading.enumerate())
    yield
    left = [thread.name for thread in set(threading.enumerate()) - before if thread.is_alive()]
    assert not [name for name in left if name.startswith("store-")], f"threads left behind: {left}"
