"""The station kit for the acknowledged kind, against a far end that speaks its protocol."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from urllib.parse import unquote

from adapters.kit import Rig, StationConformance, code_on
from adapters.kit.conformance import eventually
from schemas.station import OptionValue


class AcknowledgedPrinter(Rig):
    """Stands in for the real device: replace it by one that is closer to yours."""

    def __init__(self) -> None:
        self.labels: list[str] = []
        self.port = 0
        self._next, self._cut_at, self._needs_person = "", 0, False
        self._reads, self._pause = asyncio.Event(), 0.0
        self._reads.set()
        self._lines: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Listen on a free port."""
        await self.on()

    async def stop(self) -> None:
        """Drop every line."""
        self._reads.set()
        await self.off()

    def options(self) -> Mapping[str, OptionValue]:
        """Its address and a short deadline."""
        return {"host": "127.0.0.1", "port": self.port, "answer_s": 0.5}

    def address(self) -> tuple[str, int]:
        """For the fault injector."""
        return ("127.0.0.1", self.port)

    async def printed(self, at_least: int) -> tuple[str, ...]:
        """The code on each label."""
        await eventually(lambda: len(self.labels) >= at_least, f"fewer than {at_least} labels")
        return tuple(self.labels)

    async def on(self) -> None:
        """Listen."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def off(self) -> None:
        """Reset every line and listen no more."""
        self._server.close()
        for line in list(self._lines):
            line.transport.abort()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._server.wait_closed()

    def cut_next(self, after_bytes: int) -> None:
        """Break the line amid the next label."""
        self._next, self._cut_at = "cut", after_bytes

    def lose_next_answer(self) -> None:
        """Print and break the line."""
        self._next = "lose"

    def garbage_next(self) -> None:
        """Say what nobody asked, and a little later the true answer."""
        self._next = "garbage"

    def refuse_next(self) -> None:
        """Answer no."""
        self._next = "refuse"

    def needs_person(self) -> None:
        """Be out of labels."""
        self._needs_person = True

    def silent(self) -> None:
        """Read nothing."""
        self._reads.clear()

    def slow(self) -> None:
        """Take a while."""
        self._pause = 0.05

    def heal(self) -> None:
        """All is well."""
        self._next, self._needs_person, self._pause = "", False, 0.0
        self._reads.set()

    def lines(self) -> int:
        """Open lines."""
        return len(self._lines)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        task.set_name("rig printer")
        self._tasks.add(task)
        self._lines.add(writer)
        try:
            while line := await reader.readline():
                await self._reads.wait()
                await asyncio.sleep(self._pause)
                async for reply in self._replies(line.decode().split(), reader):
                    writer.write(reply)
                    await writer.drain()
        except (OSError, asyncio.IncompleteReadError):
            writer.transport.abort()
        finally:
            writer.close()
            self._lines.discard(writer)
            self._tasks.discard(task)

    async def _replies(
        self, words: list[str], reader: asyncio.StreamReader
    ) -> AsyncIterator[bytes]:
        if words == ["STATE"]:
            yield b"PERSON out of labels\n" if self._needs_person else b"READY\n"
            return
        how, self._next = self._next, ""
        if how == "cut":
            await reader.readexactly(min(self._cut_at, int(words[2])))
            raise ConnectionAbortedError
        label = await reader.readexactly(int(words[2]))
        if how == "refuse" or self._needs_person:
            yield b"NO told to refuse\n" if how == "refuse" else b"PERSON out of labels\n"
            return
        assert unquote(words[1])
        self.labels.append(code_on(label))
        done = b"DONE %d\n" % len(self.labels)
        if how == "lose":
            raise ConnectionAbortedError
        if how == "garbage":
            yield b"LOW labels\n"
            await asyncio.sleep(0.05)
        yield done


class TestAcknowledged(StationConformance):
    kind = "acknowledged"
    far_end = AcknowledgedPrinter
