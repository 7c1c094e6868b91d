"""Ending tasks that a client library may keep from hearing of it."""

import asyncio
from collections.abc import Iterable

_AGAIN_AFTER_S = 0.5


async def ended(tasks: Iterable["asyncio.Task[None]"]) -> None:
    """Cancel and wait. A library that swallows a cancellation is told again."""
    left = {task for task in tasks if not task.done()}
    while left:
        for task in left:
            task.cancel()
        _, left = await asyncio.wait(left, timeout=_AGAIN_AFTER_S)
