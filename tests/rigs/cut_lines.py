"""TCP lines that a test can cut: a proxy in a process of its own.

`python -m tests.rigs.cut_lines` reads one JSON array a line and answers each with one line:
`["open", name, host, port]` -> the port to connect to; `["cut", name]` resets every connection;
`["refuse", name, seconds]` resets them and every new one for a while; `["freeze", name, seconds]`
lets no byte through meanwhile and breaks nothing off. What was taken and not yet handed on when a
line is cut is lost, as on a wire.
"""

import asyncio
import contextlib
import json
import socket
import struct
import sys
from dataclasses import dataclass, field
from typing import Self

_RESET = struct.pack("ii", 1, 0)
_AT_ONCE = 65536


@dataclass(slots=True)
class _Link:
    """One address that is reached through here."""

    host: str
    port: int
    ends: set[asyncio.StreamWriter] = field(default_factory=set)
    flows: asyncio.Event = field(default_factory=asyncio.Event)
    refused_until: float = 0.0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Carry one connection until either end is gone."""
        if asyncio.get_running_loop().time() < self.refused_until:
            _reset(writer)
            return
        self.ends.add(writer)
        try:
            far_reader, far_writer = await asyncio.open_connection(self.host, self.port)
        except OSError:
            self.ends.discard(writer)
            _reset(writer)
            return
        self.ends.add(far_writer)
        try:
            await asyncio.gather(self._carry(reader, far_writer), self._carry(far_reader, writer))
        except OSError:
            _reset(writer)
            _reset(far_writer)
        finally:
            self.ends -= {writer, far_writer}
            writer.close()
            far_writer.close()

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(_AT_ONCE):
            await self.flows.wait()
            writer.write(data)
            await writer.drain()
        with contextlib.suppress(OSError):
            writer.write_eof()

    def cut(self) -> None:
        """Reset every connection, from both sides."""
        for end in list(self.ends):
            _reset(end)


def _reset(writer: asyncio.StreamWriter) -> None:
    sock = writer.get_extra_info("socket")
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
    writer.transport.abort()


async def _main() -> None:
    loop = asyncio.get_running_loop()
    links: dict[str, _Link] = {}
    orders = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(orders), sys.stdin)
    while line := await orders.readline():
        match json.loads(line):
            case ["open", name, host, port]:
                link = links[name] = _Link(host, port)
                link.flows.set()
                server = await asyncio.start_server(link.serve, "127.0.0.1", 0)
                answer = server.sockets[0].getsockname()[1]
            case ["cut", name]:
                answer = len(links[name].ends)
                links[name].cut()
            case ["refuse", name, seconds]:
                answer = len(links[name].ends)
                links[name].refused_until = loop.time() + seconds
                links[name].cut()
            case ["freeze", name, seconds]:
                answer = len(links[name].ends)
                links[name].flows.clear()
                loop.call_later(seconds, links[name].flows.set)
            case unknown:
                raise ValueError(f"no such order: {unknown}")
        sys.stdout.write(f"{answer}\n")
        sys.stdout.flush()


class CutLines:
    """The proxy, from outside."""

    def __init__(self) -> None:
        self._process: asyncio.subprocess.Process
        self._turn = asyncio.Lock()

    async def __aenter__(self) -> Self:
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "tests.rigs.cut_lines",
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        return self

    async def __aexit__(self, *problem: object) -> None:
        if self._process.returncode is None:
            self._process.kill()
        await self._process.wait()

    async def open(self, name: str, host: str, port: int) -> int:
        """Make a line to an address; the port of loopback that leads there."""
        return await self._ask("open", name, host, port)

    async def cut(self, name: str) -> int:
        """Reset what is connected; how many ends that were."""
        return await self._ask("cut", name)

    async def refuse(self, name: str, seconds: float) -> int:
        """Reset what is connected and whoever comes in the next seconds."""
        return await self._ask("refuse", name, seconds)

    async def freeze(self, name: str, seconds: float) -> int:
        """Let nothing through for so long."""
        return await self._ask("freeze", name, seconds)

    async def _ask(self, *order: object) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        async with self._turn:
            self._process.stdin.write(json.dumps(order).encode() + b"\n")
            answer = await self._process.stdout.readline()
        if not answer:
            raise RuntimeError("the proxy of the lines has ended")
        return int(answer)


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_main())
