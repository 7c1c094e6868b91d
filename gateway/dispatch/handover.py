"""Hands a job to an idle lane within the very step that queues it.

Otherwise the commit would wake the lane, and the lane would take the job in a step of its own and
wait for that commit too. So the step that queues a job also takes it, where the lane is idle in
this process: one commit, one wake. A lane that was claimed does nothing until it is told how the
step ended, so what it finds in `sending` is never a job on its way to it.
"""

import asyncio
import threading
from collections.abc import Callable
from dataclasses import dataclass

import structlog

from gateway.dispatch import lane_steps
from gateway.dispatch.lane_steps import Taken
from gateway.dispatch.lease import Lease, LeaseLost
from gateway.store.work import Work
from schemas.station import Station

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Handed:
    """A job that was taken for the lane, under the lease that the step was fenced by."""

    taken: Taken
    lease: Lease


class Handover:
    """One lane's place for it. The lane is on the loop, the step on the store's thread."""

    def __init__(self, wake: Callable[[], None]) -> None:
        self._wake = wake
        self._lock = threading.Lock()
        self._idle = False
        self._claimed = False
        self._told = asyncio.Event()
        self._handed: Handed | None = None

    def open(self) -> None:
        """The lane is idle until its next `end`: a step may claim it."""
        with self._lock:
            self._idle = True

    async def end(self) -> Handed | None:
        """No more claims. What the last one handed over, once it is known how its step ended."""
        with self._lock:
            self._idle = False
            claimed, self._claimed = self._claimed, False
        if claimed:
            await self._told.wait()
            self._told.clear()
        handed, self._handed = self._handed, None
        return handed

    def take_within(self, work: Work, station: Station, lease: Lease) -> None:
        """Take the lane's next job in this step, if the lane is idle; on the store's thread."""
        if not self._claim():
            return
        handed: Handed | None = None
        try:
            taken = lane_steps.take_next(work, station, lease)
            if isinstance(taken, Taken):
                handed = Handed(taken, lease)
        except LeaseLost as lost:
            log.warning("lane.lease_lost", station=station.id, text=str(lost))
        finally:
            work.at_end(lambda kept: self._hear(handed if kept else None))

    def _claim(self) -> bool:
        with self._lock:
            if not self._idle:
                return False
            self._idle, self._claimed = False, True
            return True

    def _hear(self, handed: Handed | None) -> None:
        self._handed = handed
        self._told.set()
        self._wake()
