"""What a running gateway does now and then: erase what is due, archive old ledger entries."""

import asyncio
from contextlib import suppress
from dataclasses import asdict
from datetime import timedelta

import structlog

from gateway.clock import Clock
from gateway.errors import GatewayError
from gateway.ledger.archive_file import ArchiveBad
from gateway.ledger.archiving import archive_before
from gateway.ledger.keys import archive_dir
from gateway.store.retention import Due, Erased, erase_due
from gateway.store.store import Store
from schemas.site import Site

log = structlog.get_logger(__name__)

EVERY_S = 3600.0


class Upkeep:
    """Runs at the start and every hour. A failure is logged and tried again an hour later."""

    def __init__(self, site: Site, store: Store, clock: Clock) -> None:
        self._site = site
        self._store = store
        self._clock = clock
        self._task: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Begin."""
        self._task = asyncio.create_task(self._run(), name="upkeep")

    async def stop(self) -> None:
        """End after the step under way."""
        if self._task is not None:
            self._task.cancel()
            with suppress(asyncio.CancelledError):
                await self._task
            self._task = None

    async def once(self) -> Erased:
        """Erase and archive all that is due now. Raises what hinders it."""
        now = self._clock.now()
        erased = await erase_due(self._store, Due.at(now, self._site.store))
        if erased.any():
            log.info("store.erased", **asdict(erased))
        days = self._site.ledger.archive_after_days
        if days is not None and self._archives_here():
            folder = archive_dir(self._site)
            moment = now - timedelta(days=days)
            while made := await archive_before(self._store, folder, moment):
                log.info("ledger.archived", first=made.first, last=made.last, file=made.file)
        return erased

    def _archives_here(self) -> bool:
        """Gateways that share a store need a folder that they share too: the site must name it."""
        return not self._store.shared or self._site.ledger.archive_dir is not None

    async def _run(self) -> None:
        while True:
            try:
                await self.once()
            except (GatewayError, ArchiveBad, OSError) as failure:
                log.warning("upkeep.failed", error=str(failure))
            except Exception:
                log.exception("upkeep.broke")
            await asyncio.sleep(EVERY_S)
