"""Asks a station for its state while its lane has nothing to send.

A station that reports its state is asked when its line opens, where nothing is known of it. One
that only answers is asked again and again: paper that ran out shows before the next order comes.
"""

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import suppress

from adapters.contract import StationLine
from adapters.errors import StationFault
from gateway.dispatch.lease import Lease, LeaseLost, fence
from gateway.dispatch.station_state import ensure_row, known_state, state_seen
from gateway.errors import NotStored
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.station import MachineState, SignalKind

WATCH_S = 15.0

_Seen = tuple[MachineState, str]
_NOTHING_KNOWN = (MachineState.UNKNOWN, MachineState.OFFLINE)


class Watch:
    """When one station is to be asked, and what it said last."""

    def __init__(
        self, adapter: StationLine, open_line: Callable[[], Awaitable[None]], store: Store
    ) -> None:
        self._adapter = adapter
        self._open_line = open_line
        self._store = store
        self._reports = SignalKind.STATE.value in adapter.claims.reports
        self._next: float | None = None
        self._seen: _Seen | None = None

    def begin(self) -> None:
        """Its line was opened: ask soon."""
        self._next, self._seen = _now(), None

    def due_in_s(self) -> float | None:
        """How long until it is to be asked; nothing where it isn't to be asked at all."""
        return None if self._next is None else max(0.0, self._next - _now())

    async def look(self, lease: Lease) -> None:
        """Ask, if it is time, and keep what is new."""
        if self.due_in_s() != 0:
            return
        self._next = None if self._reports else _now() + WATCH_S
        seen = await self._ask()
        if seen is None or seen == self._seen:
            return
        with suppress(NotStored, LeaseLost):
            await self._store.write(lambda work: self._keep(work, lease, *seen))
            self._seen = seen

    async def _ask(self) -> _Seen | None:
        try:
            await self._open_line()
            async with asyncio.timeout(self._adapter.claims.state_within_s):
                condition = await self._adapter.state()
        except (StationFault, TimeoutError) as fault:
            why = fault.what if isinstance(fault, StationFault) else "it does not answer"
            return None if self._reports else (MachineState.OFFLINE, why)
        state = condition.state
        if condition.ready and not self._reports:
            state = MachineState.IDLE  # that it prints just now its jobs tell, and it would flicker
        if state is MachineState.UNKNOWN and self._seen is None:
            return None
        return state, ", ".join(condition.faults)

    def _keep(self, work: Work, lease: Lease, state: MachineState, detail: str) -> None:
        fence(work, lease)
        ensure_row(work, lease.station)
        known = known_state(work.conn, lease.station).machine_state
        if not self._reports or known in _NOTHING_KNOWN:
            state_seen(work, lease.station, state, detail, f"station {lease.station}")


def _now() -> float:
    return asyncio.get_running_loop().time()
