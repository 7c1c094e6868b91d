"""A fixed scanner as the scanner line of a station: each line of text that it sends is a scan."""

import asyncio
import re
from collections.abc import AsyncIterator
from functools import partial
from typing import ClassVar, Self

from adapters.contract import Claims, LineSettings
from adapters.errors import Misconfigured
from adapters.line import Connect, Line, LineLost, TcpLine
from adapters.options import Options
from adapters.standing_line import StandingLine
from schemas.station import (
    MachineState,
    Receipt,
    Signal,
    SignalKind,
    StationCondition,
    StationOrder,
)

_SYMBOLOGY = re.compile(r"^\][A-Za-z][0-9A-Za-z]")
_LONGEST_CODE = 400
_LONGEST_LINE = 4096


class Scanner(StandingLine):
    """Reads and never sends. A scan is a line of text without its symbology identifier."""

    claims: ClassVar[Claims] = Claims(
        knows=frozenset(), reports=frozenset({SignalKind.SCAN.value}), deliver_within_s=1.0
    )

    def __init__(self, station: str, connect: Connect, *, no_read: str = "") -> None:
        super().__init__(station, connect)
        self._no_read = no_read
        self._reader: asyncio.Task[None] | None = None

    @classmethod
    def from_settings(cls, settings: LineSettings) -> Self:
        """Options: host, port, connect_s, and no_read, the text that it sends instead of a code."""
        options = Options(settings)
        connect = partial(
            TcpLine.connect,
            options.text("host"),
            options.port(),
            options.seconds("connect_s", 3.0),
        )
        adapter = cls(settings.station, connect, no_read=options.text("no_read", ""))
        options.finish()
        return adapter

    async def open(self) -> None:
        """Connect and begin to read, unless it does already."""
        line = await self.living()
        if self._reader is None or self._reader.done():
            self.reports.begin()
            self._reader = asyncio.create_task(
                self._read(line), name=f"scanner of station {self.station}"
            )

    async def close(self) -> None:
        """Stop reading and let go."""
        self.reports.end()
        reader, self._reader = self._reader, None
        if reader is not None:
            reader.cancel()
            await asyncio.gather(reader, return_exceptions=True)
        await super().close()

    async def deliver(self, order: StationOrder) -> Receipt:
        """A scanner prints nothing."""
        raise Misconfigured(
            f"station {self.station}: job {order.job_id} was handed to a scanner",
            do="Give the scanner's line the role scanner.",
        )

    async def state(self) -> StationCondition:
        """Only whether its line is there."""
        await self.open()
        return StationCondition(state=MachineState.UNKNOWN)

    async def signals(self) -> AsyncIterator[Signal]:
        """Scans in order; an empty code is a try that read nothing."""
        async for signal in self.reports.stream():
            yield signal

    async def _read(self, line: Line) -> None:
        held = b""
        try:
            while piece := await line.read(1024, None):
                *whole, held = re.split(rb"[\r\n]+", held + piece)
                for text in whole:
                    self._scanned(text)
                if len(held) > _LONGEST_LINE:
                    self.reports.nonsense("the scanner sends without a line end")
                    held = b""
        except LineLost:
            pass
        finally:
            self.drop()
            self.reports.lost()

    def _scanned(self, text: bytes) -> None:
        code = text.decode("utf-8", "replace").strip("\x02\x03 ")
        if not code:
            return
        if len(code) > _LONGEST_CODE:
            self.reports.nonsense("a code that is too long")
            return
        read = "" if code == self._no_read else _SYMBOLOGY.sub("", code)
        self.reports.take(Signal(kind=SignalKind.SCAN, code=read))
