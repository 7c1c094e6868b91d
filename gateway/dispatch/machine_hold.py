"""Telling a station's machine that its lane is held, and that it may go on.

A courtesy to the machine, so that it makes no further bag meanwhile; never a safety function: its
own guards and stops decide. That it is to be told is kept before it is told, so that whoever has
the lane after a crash still tells it to go on.
"""

import asyncio
from collections.abc import Awaitable, Callable

import sqlalchemy as sa
import structlog

from adapters.contract import Holds, StationLine
from adapters.errors import StationFault
from gateway.dispatch.lease import Lease, fence
from gateway.dispatch.station_state import ensure_row
from gateway.store.store import Store
from gateway.store.tables import stations
from gateway.store.work import Work

log = structlog.get_logger(__name__)

_WHY = "the gateway holds this station until a person has looked"


class MachineHold:
    """What one station's machine was told in this process."""

    def __init__(
        self, adapter: StationLine, open_line: Callable[[], Awaitable[None]], store: Store
    ) -> None:
        self._adapter = adapter
        self._open_line = open_line
        self._store = store
        self._holds = False

    def begin(self) -> None:
        """Its line was opened: it may have been switched off, and know of no hold."""
        self._holds = False

    async def hold(self, lease: Lease) -> None:
        """Tell it once that the lane is held; one that isn't reached is told at the next look."""
        if self._holds or not self._able():
            return
        await self._store.write(lambda work: _keep(work, lease, told=True))
        self._holds = await self._tell(hold=True)

    async def let_go(self, lease: Lease) -> bool:
        """Tell it that it may go on; whether it heard."""
        if self._able() and not await self._tell(hold=False):
            return False
        await self.forget(lease)
        return True

    async def forget(self, lease: Lease) -> None:
        """It needs not be told to go on any more."""
        self._holds = False
        await self._store.write(lambda work: _keep(work, lease, told=False))

    def _able(self) -> bool:
        return self._adapter.claims.holds and isinstance(self._adapter, Holds)

    async def _tell(self, *, hold: bool) -> bool:
        adapter = self._adapter
        assert isinstance(adapter, Holds)
        try:
            await self._open_line()
            async with asyncio.timeout(self._adapter.claims.state_within_s):
                await (adapter.hold(_WHY) if hold else adapter.release())
        except (StationFault, TimeoutError) as fault:
            log.warning("machine.not_told", hold=hold, error=type(fault).__name__)
            return False
        return True


def _keep(work: Work, lease: Lease, *, told: bool) -> None:
    fence(work, lease)
    ensure_row(work, lease.station)
    work.conn.execute(
        sa.update(stations).where(stations.c.station == lease.station).values(told_to_hold=told)
    )
