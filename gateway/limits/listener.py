"""The listener's own bounds: heads that come slowly or never end, too many connections.

Uvicorn bounds neither the time nor the size of a request's head, and its limit of concurrency
answers 503 only after a head was read. Both are done here, on the connection, where it is cheap.
"""

import asyncio
from collections import Counter
from typing import Any

from uvicorn.config import Config
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol
from uvicorn.server import ServerState

from schemas.access import Limits

LINGER_S = 5.0
"""How long the rest of a body is taken after its request was answered."""

_BUSY = (
    b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 1\r\nConnection: close\r\n"
    b"Content-Length: 0\r\n\r\n"
)
_SLOW = b"HTTP/1.1 408 Request Timeout\r\nConnection: close\r\nContent-Length: 0\r\n\r\n"
_LONG = (
    b"HTTP/1.1 431 Request Header Fields Too Large\r\nConnection: close\r\n"
    b"Content-Length: 0\r\n\r\n"
)


def protocol_of(limits: Limits) -> type[HttpToolsProtocol]:
    """The HTTP protocol class for uvicorn's `http` setting, with these limits in it."""
    per_address: Counter[str] = Counter()

    class Bounded(_Bounded):
        _limits = limits
        _per_address = per_address

    return Bounded


class _Bounded(HttpToolsProtocol):
    _limits: Limits
    _per_address: Counter[str]

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
    ) -> None:
        super().__init__(config, server_state, app_state, _loop)
        self._address = ""
        self._head_bytes = 0
        self._in_head = True
        self._timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._address = self.client[0] if self.client else ""
        self._per_address[self._address] += 1
        certificate = transport.get_extra_info("peercert")
        if certificate:
            # each connection has its own copy, which every request's state begins with
            self.app_state = {**self.app_state, "client_certificate": certificate}
        if (
            len(self.connections) > self._limits.connections
            or self._per_address[self._address] > self._limits.connections_per_address
        ):
            self._turn_away(_BUSY)
            return
        self._await_head()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_timer()
        self._per_address[self._address] -= 1
        if self._per_address[self._address] <= 0:
            del self._per_address[self._address]
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        if self.transport.is_closing():
            return
        if self._in_head:
            self._head_bytes += len(data)
            self._await_head()
        super().data_received(data)
        if self._in_head and self._head_bytes > self._limits.max_head_bytes:
            self._turn_away(_LONG)

    def on_message_begin(self) -> None:
        self._in_head = True
        super().on_message_begin()

    def on_headers_complete(self) -> None:
        self._in_head = False
        self._head_bytes = 0
        self._stop_timer()
        super().on_headers_complete()

    def on_message_complete(self) -> None:
        # what comes next on this connection is a head again
        self._in_head = True
        self._stop_timer()
        super().on_message_complete()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if not self._in_head and self._timer is None:
            # answered before the body was whole: whoever sends all of it before reading must get
            # the answer, so the rest is taken and dropped, but not for ever
            self._timer = self.loop.call_later(LINGER_S, self.transport.close)

    def _await_head(self) -> None:
        if self._timer is None:
            self._timer = self.loop.call_later(self._limits.head_within_s, self._too_slow)

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _too_slow(self) -> None:
        self._timer = None
        # an answer that is still being written must not be cut
        answering = self.cycle is not None and not self.cycle.response_complete  # type: ignore[redundant-expr]
        if not answering:
            self._turn_away(_SLOW)

    def _turn_away(self, words: bytes) -> None:
        if not self.transport.is_closing():
            self.transport.write(words)
            self.transport.close()
