"""Asks a station for its state while its lane has nothing to send.

Paper that ran out, a printer that was switched off, a machine that nobody reaches: each shows
before the next order comes. What a station reports by itself counts for more than its answer,
unless that says that something is wrong.
"""

import asyncio
import random
from collections.abc import Awaitable, Callable
from contextlib import suppress

from adapters.contract import StationLine
from adapters.errors import StationFault
from gateway.dispatch.lease import Lease, LeaseLost, fence
from gateway.dispatch.looking import ask_state
from gateway.dispatch.station_state import StationRow, ensure_row, known_state, state_seen
from gateway.errors import NotStored
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.station import MachineState, SignalKind

WATCH_S = 15.0

_Seen = tuple[MachineState, str]
_NOTHING_KNOWN = (MachineState.UNKNOWN, MachineState.OFFLINE)


class Watch:
    """When one station is to be asked, and what was kept of its answers."""

    def __init__(
        self, adapter: StationLine, open_line: Callable[[], Awaitable[None]], store: Store
    ) -> None:
        self._adapter = adapter
        self._open_line = open_line
        self._store = store
        self._reports = SignalKind.STATE.value in adapter.claims.reports
        self._next = 0.0
        self._kept: _Seen | None = None

    def begin(self) -> None:
        """Its line was opened, or it was told something: ask soon."""
        self._next = 0.0

    def later(self) -> None:
        """Don't ask now. Not all stations at the same time: labels would wait behind the asking."""
        self._next = _now() + WATCH_S * random.uniform(0.6, 1.4)  # noqa: S311 - no secret

    def due_in_s(self) -> float:
        """How long until it is to be asked."""
        return max(0.0, self._next - _now())

    async def look(self, lease: Lease) -> None:
        """Ask, if it is time, and keep what is new."""
        if self.due_in_s() != 0:
            return
        self.later()
        seen, wrong = await self._ask()
        known = await self._store.glance(lambda conn: known_state(conn, lease.station))
        if not self._counts(known, seen, wrong):
            return
        with suppress(NotStored, LeaseLost):
            await self._store.write(lambda work: self._keep(work, lease, seen, wrong))
            self._kept = seen

    async def _ask(self) -> tuple[_Seen, bool]:
        """What it says, and whether something is wrong with it."""
        try:
            condition = await ask_state(self._open_line, self._adapter)
        except StationFault as fault:
            return (MachineState.OFFLINE, fault.what), True
        except TimeoutError:
            return (MachineState.OFFLINE, "it does not answer"), True
        state = condition.state
        if condition.ready:
            state = MachineState.IDLE  # that it prints just now its jobs tell, and it would flicker
        return (state, ", ".join(condition.faults)), condition.ready is False

    def _counts(self, known: StationRow, seen: _Seen, wrong: bool) -> bool:
        """Whether the answer says something that isn't known, and better than it is known."""
        now = known.machine_state, known.state_detail
        again = seen[0] is known.machine_state
        if now == seen or (again and wrong and not seen[1]) or (again and _gone(seen) and now[1]):
            return False
        if seen[0] is MachineState.UNKNOWN:
            return now == self._kept  # it was told before, and holds no more
        ours = known.machine_state in _NOTHING_KNOWN or now == self._kept
        return ours or wrong or not self._reports

    def _keep(self, work: Work, lease: Lease, seen: _Seen, wrong: bool) -> None:
        fence(work, lease)
        ensure_row(work, lease.station)
        if self._counts(known_state(work.conn, lease.station), seen, wrong):
            state_seen(work, lease.station, *seen, f"station {lease.station}")


def _gone(seen: _Seen) -> bool:
    """Not reached: why changes from look to look, and would fill the ledger."""
    return seen[0] is MachineState.OFFLINE


def _now() -> float:
    return asyncio.get_running_loop().time()
