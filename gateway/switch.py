"""The application of the site in force, and another in its place while the process runs on.

The listener stays. A change builds the new gateway first, so that what is wrong with it shows
before anything is touched. Then new requests wait, those under way are answered, lanes finish the
label that they send, and the new gateway starts on the same store. Where it doesn't start, the old
site comes back. Lines to stations are opened anew, as after a restart; nothing that waits is lost,
since all of it is in the store.
"""

import asyncio
import os
import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass

import structlog
from fastapi import FastAPI
from starlette.types import Message, Receive, Scope, Send

from adapters.errors import StationFault
from gateway.access.secret_files import NoSecret
from gateway.app import Gateway, create_app
from gateway.errors import NotAllowedNow
from gateway.label import LabelError
from gateway.ledger.checkpoint import BadKey
from gateway.limits.serving import CantServe
from gateway.site_change import Taken, Taking, against, digest_of
from gateway.site_file import SiteFileWrong
from schemas.site import Site

log = structlog.get_logger(__name__)

ANSWERED_WITHIN_S = 10.0
WRONG = (SiteFileWrong, StationFault, LabelError, CantServe, NoSecret, BadKey)
"""What a site that can't be served raises before anything of it runs."""


@dataclass(frozen=True, slots=True)
class _InForce:
    gateway: Gateway
    app: FastAPI


class Switch:
    """An ASGI application. `read` gives the site on disk, `build` makes its gateway.

    Both raise where the site can't be served: `SiteFileWrong`, `Misconfigured` and their kin.
    """

    def __init__(
        self,
        read: Callable[[], Site],
        build: Callable[[Site], Gateway],
        make_app: Callable[..., FastAPI] = create_app,
    ) -> None:
        self._read = read
        self._build = build
        self._make_app = make_app
        self._open = asyncio.Event()
        self._requests: dict[asyncio.Task[None], bool] = {}
        self._reading = False
        self._change: asyncio.Task[None] | None = None
        self._asked: asyncio.Task[None] | None = None
        self._now = self._made(read())
        self.last: Taken | None = None

    @property
    def gateway(self) -> Gateway:
        """The gateway in force."""
        return self._now.gateway

    def _made(self, site: Site) -> _InForce:
        gateway = self._build(site)
        return _InForce(gateway, self._make_app(gateway, takes_site=self))

    async def take(self, by: str, reason: str) -> str:
        """Begin to take the file up; its digest. Raises `NotAllowedNow` with all against it."""
        if self._reading or (self._change is not None and not self._change.done()):
            raise NotAllowedNow("A site file is being taken up already. Look again in a moment.")
        self._reading = True
        try:
            return await self._take(by, reason)
        finally:
            self._reading = False

    async def _take(self, by: str, reason: str) -> str:
        before = self.gateway.site
        try:
            site = await asyncio.to_thread(self._read)
            new = self._made(site)
        except WRONG as wrong:
            raise NotAllowedNow(f"Nothing was changed. {wrong}") from wrong
        reasons = await self.gateway.store.read(lambda conn: [*against(conn, before, site)])
        if reasons:
            raise NotAllowedNow(" ".join(("Nothing was changed.", *reasons)))
        taking = Taking(by, reason, digest_of(before))
        self._change = asyncio.create_task(self._put(new, taking), name="site change")
        return digest_of(site)

    def _told_to(self) -> None:
        self._asked = asyncio.create_task(self._signalled(), name="site change at a signal")

    async def _signalled(self) -> None:
        try:
            await self.take("signal", "SIGHUP")
        except NotAllowedNow as refused:
            log.warning("site.not_taken", text=refused.detail)

    async def _put(self, new: _InForce, taking: Taking) -> None:
        """Put another gateway in place of the one that runs."""
        self._open.clear()
        try:
            await self._answered()
            text = await self._late(new.gateway.site) or await self._swap(new, taking)
        finally:
            self._open.set()
        digest = digest_of(new.gateway.site)
        now = new.gateway.clock.now()
        self.last = Taken(now, taking.by, ok=not text, digest=digest, text=text)
        log.info("site.taken" if not text else "site.not_taken", sha256=digest, by=taking.by)

    async def _late(self, site: Site) -> str:
        """What has come against the site since it was asked for; empty where nothing has."""
        gateway = self.gateway
        reasons = await gateway.store.read(lambda conn: [*against(conn, gateway.site, site)])
        return " ".join(reasons)

    async def _swap(self, new: _InForce, taking: Taking) -> str:
        """Stop the old gateway and start the new one; what failed, empty where nothing did."""
        old = self._now
        try:
            await old.gateway.stop()
        except Exception:
            log.exception("site.old_not_stopped")  # the new one's start tells whether it matters
        try:
            await new.gateway.start(taking)
        except Exception as failure:
            log.exception("site.not_started")
            await self._back(new, old.gateway.site, digest_of(new.gateway.site))
            return str(failure) or type(failure).__name__
        self._now = new
        return ""

    async def _back(self, failed: _InForce, site: Site, digest: str) -> None:
        """The old site again; where even that fails, the process ends, as a crash would."""
        try:
            await failed.gateway.stop()
        except Exception:
            log.exception("site.half_started")
        try:
            self._now = self._made(site)
            await self._now.gateway.start(Taking("gateway", "the new site did not start", digest))
        except Exception:
            log.exception("site.lost")
            sys.stdout.flush()
            os._exit(3)  # whoever watches the process starts it again; all that counts is stored

    async def _answered(self) -> None:
        """Wait for the requests under way; streams, which never end by themselves, are ended."""
        for request, is_stream in self._requests.items():
            if is_stream:
                request.cancel()
        if self._requests:
            _, late = await asyncio.wait(self._requests, timeout=ANSWERED_WITHIN_S)
            for request in late:
                request.cancel()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hand a request to the application in force; during a change it waits."""
        if scope["type"] == "lifespan":
            await self._life(receive, send)
            return
        await self._open.wait()
        app = self._now.app
        request = asyncio.ensure_future(_answer(app, scope, receive, send, self._mark))
        self._requests[request] = False
        try:
            await asyncio.wait({request})
        finally:
            request.cancel()
            self._requests.pop(request, None)
        if not request.cancelled():
            request.result()

    def _mark(self, request: "asyncio.Task[None]") -> None:
        self._requests[request] = True
        if not self._open.is_set():
            request.cancel()

    async def _life(self, receive: Receive, send: Send) -> None:
        await receive()
        asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, self._told_to)
        try:
            await self.gateway.start()
        except Exception as failure:
            log.exception("gateway.not_started")
            await send({"type": "lifespan.startup.failed", "message": str(failure)})
            return
        self._open.set()
        await send({"type": "lifespan.startup.complete"})
        await receive()
        if self._change is not None:
            await asyncio.wait({self._change})
        await self.gateway.stop()
        await send({"type": "lifespan.shutdown.complete"})


async def _answer(
    app: FastAPI,
    scope: Scope,
    receive: Receive,
    send: Send,
    stream: Callable[["asyncio.Task[None]"], None],
) -> None:
    """Answer one request; a stream that is cut ends as if it were complete."""
    task = asyncio.current_task()
    assert task is not None
    state = {"stream": False}

    async def watched(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = dict(message.get("headers", ()))
            if headers.get(b"content-type", b"").startswith(b"text/event-stream"):
                state["stream"] = True
                stream(task)
        await send(message)

    try:
        await app(scope, receive, watched)
    except asyncio.CancelledError:
        if state["stream"]:
            await send({"type": "http.response.body", "body": b"", "more_body": False})
        raise
