"""A fault injector in front of a TCP port: late, byte by byte, half closed, reset."""

import asyncio
import socket
import struct
from contextlib import suppress


class Proxy:
    """Passes bytes both ways; what befalls them are plain attributes, changed at any time."""

    def __init__(self, host: str, port: int) -> None:
        self._there = (host, port)
        self.delay_s = 0.0
        self.at_a_time = 65536
        self.reset_after: int | None = None
        """Reset every line once so many bytes have gone to the station."""
        self.passed = 0
        self.flows = asyncio.Event()
        """Cleared: nothing passes, and no line ends."""
        self.flows.set()
        self._server: asyncio.Server | None = None
        self._clients: set[asyncio.StreamWriter] = set()
        self._ends: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self, port: int = 0) -> None:
        """Listen on loopback; port 0 takes a free one."""
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", port)

    @property
    def lines(self) -> int:
        """Lines that it passes now."""
        return len(self._clients)

    @property
    def address(self) -> tuple[str, int]:
        """Where it listens."""
        assert self._server is not None
        host, port = self._server.sockets[0].getsockname()[:2]
        return str(host), int(port)

    async def stop(self) -> None:
        """Drop every line."""
        assert self._server is not None
        self._server.close()
        self.flows.set()
        # A line that was accepted in the last moment is begun first, then dropped as well.
        await asyncio.sleep(0.005)
        while self._tasks:
            for end in list(self._ends):
                end.transport.abort()
            await asyncio.wait(self._tasks, timeout=0.05)
        await self._server.wait_closed()

    def reset(self) -> None:
        """Reset every line now."""
        for end in list(self._ends):
            end.transport.abort()

    async def half_close(self) -> None:
        """Close the direction from the station, leave the other open."""
        for client in self._clients:
            client.write_eof()
            await client.drain()
        # The end must have crossed before the next job looks at the line.
        await asyncio.sleep(0.02)

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        task.set_name("rig proxy")
        self._tasks.add(task)
        try:
            there_in, there_out = await asyncio.open_connection(*self._there)
        except OSError:
            writer.transport.abort()
            self._tasks.discard(task)
            return
        self._clients.add(writer)
        self._ends |= {writer, there_out}
        back = asyncio.create_task(self._pass(there_in, writer, counted=False), name="rig proxy")
        await self._pass(reader, there_out, counted=True)
        with suppress(OSError, RuntimeError):
            there_out.write_eof()
        await back
        for end in (writer, there_out):
            end.close()
            with suppress(OSError):
                await end.wait_closed()
        self._clients.discard(writer)
        self._ends -= {writer, there_out}
        self._tasks.discard(task)

    async def _pass(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, counted: bool
    ) -> None:
        with suppress(OSError, RuntimeError):
            while data := await reader.read(65536):
                for start in range(0, len(data), self.at_a_time):
                    piece = data[start : start + self.at_a_time]
                    await self.flows.wait()
                    await asyncio.sleep(self.delay_s)
                    writer.write(piece)
                    await writer.drain()
                    if counted and self._due(len(piece)):
                        self._reset(writer)
                        return

    def _due(self, size: int) -> bool:
        self.passed += size
        return self.reset_after is not None and self.passed >= self.reset_after

    def _reset(self, there: asyncio.StreamWriter) -> None:
        for end in (there, *self._clients):
            sock = end.get_extra_info("socket")
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            end.transport.abort()
