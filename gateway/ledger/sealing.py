"""Signing the ledger while the gateway runs, and handing each checkpoint to witnesses.

A checkpoint that lies only beside the ledger can be taken away with it. So each is copied to a
witness file and a witness URL where the site names them: whoever cuts the ledger short has to
reach those too.
"""

import asyncio
import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

import httpx
import structlog
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy.engine import Connection

from gateway.clock import Clock
from gateway.errors import NotStored
from gateway.ledger import checkpoints
from gateway.ledger.keys import key_file, key_of
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.ledger import Checkpoint
from schemas.site import Site

log = structlog.get_logger(__name__)

_URL_TIMEOUT_S = 5.0
_SENT_AT_ONCE = 20


class Sealer:
    """Signs every so often, every so many entries, when asked, and at the end."""

    def __init__(self, site: Site, store: Store, clock: Clock) -> None:
        self._site = site
        self._store = store
        self._clock = clock
        self._key: Ed25519PrivateKey | None = None
        self._since = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._due = asyncio.Event()
        self._task: asyncio.Task[None] | None = None
        self._one_at_a_time = asyncio.Lock()
        self._client: httpx.AsyncClient | None = None
        store.follow(self._count)

    @property
    def key(self) -> Ed25519PrivateKey:
        """The signing key; read once the gateway has started."""
        assert self._key is not None, "the sealer was not started"
        return self._key

    async def start(self) -> None:
        """Read or make the key and begin. Raises `BadKey`."""
        self._key = await asyncio.to_thread(key_of, key_file(self._site))
        self._loop = asyncio.get_running_loop()
        self._task = asyncio.create_task(self._run(), name="ledger checkpoints")

    async def stop(self) -> None:
        """Sign what came last, hand it on, and end."""
        if self._task is None:
            return
        self._task.cancel()
        with suppress(asyncio.CancelledError):
            await self._task
        self._task = self._loop = None
        await self._sign_and_tell()
        if self._client is not None:
            await self._client.aclose()

    async def checkpoint(self) -> Checkpoint | None:
        """Sign now what is committed; the latest checkpoint, None of an empty ledger."""
        async with self._one_at_a_time:
            now = self._clock.now()
            signed = await self._store.read(
                lambda conn: checkpoints.sign_now(conn, self.key, self._site.name, now)
            )
            if signed is not None:
                await self._keep(signed)
            return await self._store.read(checkpoints.latest)

    async def _keep(self, signed: Checkpoint) -> None:
        to_send = self._site.ledger.witness_url is not None
        kept = await self._store.write(lambda work: checkpoints.keep(work, signed, to_send=to_send))
        if kept and self._site.ledger.witness_file is not None:
            try:
                await asyncio.to_thread(add_to_file, self._site.ledger.witness_file, signed)
            except OSError as error:
                log.warning("ledger.witness_file_failed", error=str(error), size=signed.size)

    def _count(self, work: Work, recorded: Sequence[Mapping[str, object]]) -> None:
        """Runs in the writing thread, for each step."""
        del work
        self._since += len(recorded)
        if self._since >= self._site.ledger.checkpoint_every_entries:
            loop = self._loop
            if loop is not None:
                with suppress(RuntimeError):
                    loop.call_soon_threadsafe(self._due.set)

    async def _run(self) -> None:
        while True:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._due.wait(), self._site.ledger.checkpoint_every_s)
            self._due.clear()
            self._since = 0
            await self._sign_and_tell()

    async def sign_and_tell(self) -> Checkpoint | None:
        """Sign now what is committed, and hand it to the witnesses; the latest checkpoint.

        Raises `NotStored`.
        """
        latest = await self.checkpoint()
        await self._send()
        return latest

    async def _sign_and_tell(self) -> None:
        try:
            await self.sign_and_tell()
        except NotStored as failure:
            log.warning("ledger.checkpoint_failed", error=failure.detail)

    async def _send(self) -> None:
        """Send what the witness URL lacks; what doesn't arrive is tried again at the next one."""
        url = self._site.ledger.witness_url
        if url is None:
            return
        waiting = await self._store.read(_waiting)
        arrived: list[int] = []
        for one in waiting:
            if not await self._post(url, one):
                break
            arrived.append(one.size)
        if arrived:
            await self._store.write(lambda work: checkpoints.sent(work, arrived))

    async def _post(self, url: str, checkpoint: Checkpoint) -> bool:
        if self._client is None:
            self._client = httpx.AsyncClient(timeout=_URL_TIMEOUT_S)
        try:
            answer = await self._client.post(
                url,
                content=checkpoint.model_dump_json(),
                headers={"content-type": "application/json"},
            )
            answer.raise_for_status()
        except httpx.HTTPError as error:
            log.warning(
                "ledger.witness_url_failed", error=type(error).__name__, size=checkpoint.size
            )
            return False
        return True


def add_to_file(path: Path, checkpoint: Checkpoint) -> None:
    """Add a checkpoint to a witness file, one a line, and make it durable. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("ab") as file:
        file.write(checkpoint.model_dump_json().encode() + b"\n")
        file.flush()
        os.fsync(file.fileno())


def _waiting(conn: Connection) -> list[Checkpoint]:
    return checkpoints.to_send(conn, _SENT_AT_ONCE)
