"""A byte line: real TCP, and an in-memory pair whose faults are scripted.

Every adapter that speaks bytes stands on `Line`, so that the same adapter is tested without and
with sockets. A line counts what it handed over, because that count decides whether a label may
have left us.
"""

import asyncio
import contextlib
import fcntl
import socket
import struct
import sys
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from adapters.awake import Awake
from adapters.why_lost import why_lost

_OUTQ = 0x5411  # Linux SIOCOUTQ: bytes that the peer's TCP has not acknowledged (from memory).
_TCP_CLOSE = 7  # Linux, the state of a connection that was reset (from memory).


class LineLost(Exception):
    """The line failed; `sent` bytes of the write that was under way may have reached the peer."""

    def __init__(self, why: str, sent: int = 0) -> None:
        super().__init__(why)
        self.why = why
        self.sent = sent


class Line(Protocol):
    """One open byte line. Every wait is bounded; `None` waits until the line ends."""

    async def write(self, data: bytes, within_s: float) -> None:
        """Hand over all bytes and see them taken, or raise `LineLost` with the count that left."""
        ...

    async def read(self, most: int, within_s: float | None) -> bytes:
        """At least one byte, or `b""` at the peer's end. Raises `TimeoutError`, `LineLost`."""
        ...

    def ended(self) -> bool:
        """True when the peer has closed or reset the line: nothing should be sent on it."""
        ...

    async def watch(self, for_s: float) -> None:
        """Watch for a reset that follows a write; raises `LineLost` when it comes."""
        ...

    async def close(self) -> None:
        """Close after what was handed over has left."""
        ...

    def abort(self) -> None:
        """Drop the line and whatever still waits to leave."""
        ...


_Found = tuple[
    socket.AddressFamily,
    socket.SocketKind,
    int,
    str,
    tuple[str, int] | tuple[str, int, int, int] | tuple[int, bytes],
]

Connect = Callable[[], Awaitable[Line]]
"""Opens a fresh line, or raises `LineLost`."""


class TcpLine:
    """A TCP connection on a bare non-blocking socket, so that every byte that left is counted."""

    def __init__(self, sock: socket.socket) -> None:
        sock.setblocking(False)
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._sock = sock
        self._open = True
        self._waiting: set[asyncio.Future[None]] = set()

    @classmethod
    async def connect(cls, host: str, port: int, within_s: float) -> "TcpLine":
        """Connect within the deadline, with keep-alive on; raises `LineLost`."""
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(within_s):
                found = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM)
                return cls(await _first_that_answers(found))
        except TimeoutError as late:
            raise LineLost(f"{host}:{port} did not answer within {within_s:g} s") from late
        except OSError as fault:
            raise LineLost(f"{host}:{port} can't be reached: {why_lost(fault)}") from fault

    async def write(self, data: bytes, within_s: float) -> None:
        """See `Line.write`. Waits for the peer's acknowledgement where the system can tell."""
        view, sent, awake = memoryview(data), 0, Awake()
        try:
            async with asyncio.timeout(within_s):
                while sent < len(view):
                    if not awake.still():
                        raise LineLost("this machine slept amid the write", sent)
                    try:
                        sent += self._sock.send(view[sent:])
                    except (BlockingIOError, InterruptedError):
                        await self._writable()
                await self._acknowledged()
        except TimeoutError as late:
            why = f"the peer took {sent} of {len(view)} bytes within {within_s:g} s"
            raise LineLost(why, sent) from late
        except OSError as fault:
            raise LineLost(why_lost(fault), sent) from fault

    async def read(self, most: int, within_s: float | None) -> bytes:
        """See `Line.read`."""
        try:
            async with asyncio.timeout(within_s):
                while True:
                    try:
                        return self._sock.recv(most)
                    except (BlockingIOError, InterruptedError):
                        await self._readable()
        except TimeoutError:
            raise
        except OSError as fault:
            raise LineLost(why_lost(fault)) from fault

    def ended(self) -> bool:
        """See `Line.ended`: looks at the socket without taking anything off it."""
        if not self._open:
            return True
        try:
            return self._sock.recv(1, socket.MSG_PEEK) == b""
        except (BlockingIOError, InterruptedError):
            return False
        except OSError:
            return True

    def waiting(self) -> bytes | None:
        """What has come and was not read; `b""` at the peer's end, nothing where none has come."""
        if not self._open:
            return b""
        try:
            return self._sock.recv(16384)
        except (BlockingIOError, InterruptedError):
            return None
        except OSError as fault:
            raise LineLost(why_lost(fault)) from fault

    async def watch(self, for_s: float) -> None:
        """See `Line.watch`. An orderly end is no fault: some printers close after each label."""
        try:
            # One that came while the loop was busy is seen too, though the time is over by then.
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(for_s):
                    await self._readable()
            self._sock.recv(1, socket.MSG_PEEK)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as fault:
            raise LineLost(why_lost(fault)) from fault

    async def close(self) -> None:
        """See `Line.close`."""
        if self._open:
            with contextlib.suppress(OSError):
                self._sock.shutdown(socket.SHUT_WR)
            self._let_go()

    def abort(self) -> None:
        """See `Line.abort`: a reset, so that bytes in our send buffer are thrown away."""
        if self._open:
            with contextlib.suppress(OSError):
                self._sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self._let_go()

    def _let_go(self) -> None:
        # Whoever waits on the socket must hear of it: a closed one never becomes ready.
        self._open = False
        for ready in list(self._waiting):
            if not ready.done():
                ready.set_exception(ConnectionAbortedError("the line was closed on our side"))
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._sock)
        loop.remove_writer(self._sock)
        self._sock.close()

    async def _writable(self) -> None:
        loop = asyncio.get_running_loop()
        with self._waits() as ready:
            loop.add_writer(self._sock, _settle, ready)
            try:
                await ready
            finally:
                if self._open:
                    loop.remove_writer(self._sock)

    async def _readable(self) -> None:
        loop = asyncio.get_running_loop()
        with self._waits() as ready:
            loop.add_reader(self._sock, _settle, ready)
            try:
                await ready
            finally:
                if self._open:
                    loop.remove_reader(self._sock)

    @contextlib.contextmanager
    def _waits(self) -> Iterator[asyncio.Future[None]]:
        ready: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._waiting.add(ready)
        try:
            yield ready
        finally:
            self._waiting.discard(ready)

    def _unacknowledged(self) -> int:
        if not self._open:
            raise ConnectionAbortedError("the line was closed on our side")
        (waiting,) = struct.unpack("i", fcntl.ioctl(self._sock, _OUTQ, bytes(4)))
        return int(waiting)

    async def _acknowledged(self) -> None:
        # A label in our own send buffer has not left: the cable may be out.
        if sys.platform != "linux":
            return
        pause = 0.0005
        while self._unacknowledged():
            if self._sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 1)[0] == _TCP_CLOSE:
                raise ConnectionResetError("the peer reset the connection")
            await asyncio.sleep(pause)
            pause = min(pause * 2, 0.02)


def _settle(ready: asyncio.Future[None]) -> None:
    if not ready.done():
        ready.set_result(None)


async def _first_that_answers(found: Sequence[_Found]) -> socket.socket:
    loop = asyncio.get_running_loop()
    last: OSError = OSError("no address")
    for family, kind, protocol, _, address in found:
        sock = socket.socket(family, kind, protocol)
        try:
            sock.setblocking(False)
            _keep_alive(sock)
            await loop.sock_connect(sock, address)
        except OSError as fault:
            sock.close()
            last = fault
        except BaseException:
            sock.close()
            raise
        else:
            return sock
    raise last


def _keep_alive(sock: socket.socket) -> None:
    # A peer that lost power says nothing: probe after 10 s, give up 15 s later.
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (("TCP_KEEPIDLE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, name):
            sock.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


@dataclass(slots=True)
class LineScript:
    """What befalls the bytes of one direction of an in-memory line."""

    cut_after: int | None = None
    """The line is reset when this many bytes have crossed."""
    at_a_time: int | None = None
    """Bytes cross in pieces of this size."""
    window: int = 65536
    """Bytes that fit between the ends: a peer that does not read stops the writer here."""


class _Pipe:
    """One direction of an in-memory line."""

    def __init__(self, script: LineScript) -> None:
        self.script = script
        self.held = bytearray()
        self.crossed = 0
        self.finished = False
        self.reset = False
        self.moved = asyncio.Event()

    def stir(self) -> None:
        self.moved.set()
        self.moved = asyncio.Event()

    def room(self) -> int:
        room = self.script.window - len(self.held)
        if self.script.at_a_time is not None:
            room = min(room, self.script.at_a_time)
        if self.script.cut_after is not None:
            room = min(room, self.script.cut_after - self.crossed)
        return room


class MemoryLine:
    """One end of an in-memory line. Made in pairs by `memory_pair`."""

    def __init__(self, out: _Pipe, back: _Pipe) -> None:
        self._out, self._back = out, back

    async def write(self, data: bytes, within_s: float) -> None:
        """See `Line.write`."""
        sent = 0
        try:
            async with asyncio.timeout(within_s):
                while sent < len(data):
                    await self._room(sent)
                    piece = data[sent : sent + self._out.room()]
                    self._out.held += piece
                    self._out.crossed += len(piece)
                    sent += len(piece)
                    self._out.stir()
                    await asyncio.sleep(0)
                if self._out.reset:
                    raise LineLost("the line was cut", sent)
        except TimeoutError as late:
            why = f"the peer took {sent} of {len(data)} bytes within {within_s:g} s"
            raise LineLost(why, sent) from late

    async def _room(self, sent: int) -> None:
        while True:
            if self._out.reset or self._back.finished or self._out.finished:
                raise LineLost("the line is closed", sent)
            script = self._out.script
            if script.cut_after is not None and self._out.crossed >= script.cut_after:
                self.abort()
                raise LineLost("the line was cut", sent)
            if self._out.room() > 0:
                return
            await self._out.moved.wait()

    async def read(self, most: int, within_s: float | None) -> bytes:
        """See `Line.read`."""
        async with asyncio.timeout(within_s):
            while not self._back.held:
                if self._back.reset:
                    raise LineLost("the line was reset")
                if self._back.finished:
                    return b""
                await self._back.moved.wait()
        piece = bytes(self._back.held[:most])
        del self._back.held[:most]
        self._back.stir()
        return piece

    def ended(self) -> bool:
        """See `Line.ended`."""
        back = self._back
        return back.reset or self._out.finished or (back.finished and not back.held)

    async def watch(self, for_s: float) -> None:
        """See `Line.watch`."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(for_s):
                while not (self._back.reset or self._back.finished):
                    await self._back.moved.wait()
        if self._back.reset:
            raise LineLost("the line was reset")

    async def close(self) -> None:
        """See `Line.close`."""
        self._out.finished = True
        self._out.stir()
        self._back.stir()

    def abort(self) -> None:
        """See `Line.abort`."""
        for pipe in (self._out, self._back):
            pipe.reset = True
            pipe.stir()
        self._out.finished = True


def memory_pair(
    there: LineScript | None = None, back: LineScript | None = None
) -> tuple[MemoryLine, MemoryLine]:
    """Two ends of one in-memory line; `there` befalls what the first end writes."""
    first, second = _Pipe(there or LineScript()), _Pipe(back or LineScript())
    return MemoryLine(first, second), MemoryLine(second, first)
