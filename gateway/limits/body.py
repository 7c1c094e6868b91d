"""Bounds every request body in bytes and seconds, before any route sees it."""

import asyncio

import structlog
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gateway import problems
from gateway.errors import GatewayError, Malformed, TooLarge, TooSlow, UnknownMediaType

log = structlog.get_logger(__name__)


class BodyLimit:
    """ASGI middleware. Content-Length is believed only to refuse early; the bytes are counted.

    Packed bodies are refused unseen: nothing here is ever unpacked for a caller, so a small body
    can't become a large one.
    """

    def __init__(self, app: ASGIApp, *, max_bytes: int, within_s: float) -> None:
        self._app = app
        self._max_bytes = max_bytes
        self._within_s = within_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        try:
            _check_headers(Headers(scope=scope), self._max_bytes)
        except GatewayError as refused:
            await _answer(refused, scope, receive, send)
            return
        counted = _Counted(receive, send, self._max_bytes, self._within_s)
        try:
            await self._app(scope, counted.receive, counted.send)
        except GatewayError as refused:
            if refused is not counted.refused:
                raise
        if counted.refused is not None and not counted.answered:
            await _answer(counted.refused, scope, receive, send)


class _Counted:
    """Counts what is received. Once too much came, what the application answers is not sent."""

    def __init__(self, receive: Receive, send: Send, max_bytes: int, within_s: float) -> None:
        self._receive = receive
        self._send = send
        self._left = max_bytes
        self._max_bytes = max_bytes
        self._within_s = within_s
        self._until = asyncio.get_running_loop().time() + within_s
        self._whole = False
        self.answered = False
        self.refused: GatewayError | None = None

    async def receive(self) -> Message:
        if self.refused is not None:
            raise self.refused
        if self._whole:
            return await self._receive()  # waits for the caller to go away, as long as it takes
        try:
            async with asyncio.timeout_at(self._until):
                message = await self._receive()
        except TimeoutError:
            self._refuse(TooSlow(f"The body was not whole within {self._within_s:g} s."))
        if message["type"] == "http.request":
            self._left -= len(message.get("body", b""))
            self._whole = not message.get("more_body", False)
            if self._left < 0:
                self._refuse(TooLarge(f"The body has more than {self._max_bytes} bytes."))
        return message

    def _refuse(self, error: GatewayError) -> None:
        self.refused = error
        raise error

    async def send(self, message: Message) -> None:
        if self.refused is not None and not self.answered:
            return
        self.answered = True
        await self._send(message)


def _check_headers(headers: Headers, max_bytes: int) -> None:
    packed = headers.get("content-encoding", "identity").strip().lower()
    if packed not in ("identity", ""):
        raise UnknownMediaType(f"Send bodies as they are, not packed as {packed[:40]}.")
    lengths = headers.getlist("content-length")
    if not lengths:
        return
    stated = lengths[0]
    if len(lengths) > 1 or not (stated.isascii() and stated.isdigit()):
        raise Malformed("Content-Length isn't one number.")
    if len(stated) > 15 or int(stated) > max_bytes:
        raise TooLarge(f"The body has {stated[:20]} bytes; at most {max_bytes} are taken.")


async def _answer(error: GatewayError, scope: Scope, receive: Receive, send: Send) -> None:
    log.info("request.refused", path=scope["path"], problem=error.type.value)
    response = problems.answer(problems.problem_of(error, scope["path"]), error.retry_after_s)
    await response(scope, receive, send)
