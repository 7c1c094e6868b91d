"""A printer at the far end of a pseudo-terminal pair; its near end has a name that stays."""

import asyncio
import os
import tempfile
import tty
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from adapters.kit import RigCannot
from adapters.line import LineLost
from schemas.station import OptionValue
from tests.rigs.simulated import NO_REFUSAL, SimulatedRig


class _MasterEnd:
    """The far end of a pseudo-terminal as a byte line."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._open = True
        os.set_blocking(fd, False)

    async def write(self, data: bytes, within_s: float) -> None:
        async with asyncio.timeout(within_s):
            while data and self._open:
                try:
                    data = data[os.write(self._fd, data) :]
                except BlockingIOError:
                    await asyncio.sleep(0.001)
                except OSError as gone:
                    raise LineLost(str(gone)) from gone

    async def read(self, most: int, within_s: float | None) -> bytes:
        async with asyncio.timeout(within_s):
            while self._open:
                # EIO: nobody has the near end open; a printer just goes on listening.
                with suppress(OSError):
                    if data := os.read(self._fd, most):
                        return data
                await asyncio.sleep(0.001)
        return b""

    def ended(self) -> bool:
        return not self._open

    async def watch(self, for_s: float) -> None:
        await asyncio.sleep(for_s)

    async def close(self) -> None:
        self.abort()

    def abort(self) -> None:
        if self._open:
            self._open = False
            os.close(self._fd)


class SerialRig(SimulatedRig):
    """The printer face on a pseudo-terminal."""

    face = "printer"
    extra: Mapping[str, OptionValue] = {"write_s": 2.0, "answer_s": 0.3, "ask": "zpl-status"}

    def __init__(self) -> None:
        super().__init__()
        self._folder = tempfile.TemporaryDirectory()
        self._name = Path(self._folder.name) / "printer"
        self._near = ""
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Its machine, and the pair."""
        self.station.start_machine()
        await self.on()

    async def stop(self) -> None:
        """Close the pair."""
        await self.off()
        await self.station.stop()
        self._folder.cleanup()

    def options(self) -> Mapping[str, OptionValue]:
        """The name that stays, no flow control: a pseudo-terminal has no such lines."""
        return {"device": str(self._name), "baud": 115200, "flow": "none", **self.extra}

    def address(self) -> None:
        """A serial line has no address."""

    async def on(self) -> None:
        """Plug it in: a fresh pair under the same name, and again after each break."""
        self._plug()

    def _plug(self) -> None:
        master, slave = os.openpty()
        tty.setraw(slave)
        self._near = os.ttyname(slave)
        os.close(slave)
        self._name.unlink(missing_ok=True)
        self._name.symlink_to(self._near)
        self._task = asyncio.create_task(self._serve(_MasterEnd(master)), name="rig serial")

    async def _serve(self, line: _MasterEnd) -> None:
        await self.station.serve_printer(line)
        # The script cut the line: it is plugged in again, as a person would.
        self._plug()

    async def off(self) -> None:
        """Pull it out."""
        self._name.unlink(missing_ok=True)
        assert self._task is not None
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)

    def refuse_next(self) -> None:
        raise RigCannot(NO_REFUSAL)

    def lines(self) -> int:
        """How often this process has the near end open."""
        found = 0
        for fd in Path("/proc/self/fd").iterdir():
            with suppress(OSError):
                found += str(fd.readlink()) == self._near
        return found


class CountedSerialRig(SerialRig):
    """The same, asked for its counter."""

    extra: Mapping[str, OptionValue] = {
        "write_s": 2.0,
        "answer_s": 0.3,
        "print_s": 0.5,
        "settle_s": 0.05,
    }
