"""A label printer on a serial line (RS-232), without and with its label counter."""

import asyncio
import contextlib
import os
from functools import partial
from typing import Self

from serialx import BaseSerialTransport, Parity, SerialStreamWriter, StopBits
from serialx import open_serial_connection as open_port

from adapters.contract import LineSettings
from adapters.line import Connect, Line, LineLost
from adapters.options import Options
from adapters.printer import BytePrinter, CountedPrinter, counting, printer_deadlines
from adapters.status import QUESTIONS
from adapters.why_lost import why_lost

_PARITY = {"none": Parity.NONE, "even": Parity.EVEN, "odd": Parity.ODD}
_STOP_BITS = {1: StopBits.ONE, 2: StopBits.TWO}
_PIECE = 256


class SerialLine:
    """A serial port as a byte line. A printer that stops the flow stops the write."""

    def __init__(
        self, reader: asyncio.StreamReader, writer: SerialStreamWriter[BaseSerialTransport]
    ) -> None:
        self._reader, self._writer = reader, writer
        writer.transport.set_write_buffer_limits(high=0)

    @classmethod
    async def connect(
        cls,
        device: str,
        baud: int,
        bits: int,
        parity: str,
        stop_bits: int,
        flow: str,
        within_s: float,
    ) -> Line:
        """Open the port for ourselves alone; raises `LineLost`."""
        try:
            async with asyncio.timeout(within_s):
                reader, writer = await open_port(
                    url=device,
                    baudrate=baud,
                    byte_size=bits,
                    parity=_PARITY[parity],
                    stopbits=_STOP_BITS[stop_bits],
                    rtscts=flow == "rts-cts",
                    xonxoff=flow == "xon-xoff",
                    exclusive=True,
                )
        except TimeoutError as late:
            raise LineLost(f"{device} did not open within {within_s:g} s") from late
        except OSError as fault:
            raise LineLost(f"{device} can't be opened: {why_lost(fault)}") from fault
        return cls(reader, writer)

    async def write(self, data: bytes, within_s: float) -> None:
        """See `Line.write`: in pieces, so that what a stopped flow let through is known."""
        sent = 0
        try:
            async with asyncio.timeout(within_s):
                while sent < len(data):
                    self._still_there()
                    piece = data[sent : sent + _PIECE]
                    self._writer.write(piece)
                    # From here on the piece may leave at any time.
                    sent += len(piece)
                    await self._writer.drain()
                await self._left()
        except TimeoutError as late:
            why = f"the printer took at most {sent} of {len(data)} bytes within {within_s:g} s"
            raise LineLost(why, sent) from late
        except OSError as fault:
            raise LineLost(why_lost(fault), sent) from fault

    async def read(self, most: int, within_s: float | None) -> bytes:
        """See `Line.read`."""
        try:
            async with asyncio.timeout(within_s):
                return await self._reader.read(most)
        except TimeoutError:
            raise
        except OSError as fault:
            raise LineLost(why_lost(fault)) from fault

    def ended(self) -> bool:
        """See `Line.ended`: a port whose adapter was pulled out ends."""
        gone = self._writer.transport.is_closing() or self._reader.at_eof()
        return gone or self._reader.exception() is not None

    async def watch(self, for_s: float) -> None:
        """See `Line.watch`."""
        await asyncio.sleep(for_s)
        if self.ended():
            raise LineLost("the port went away")

    async def close(self) -> None:
        """See `Line.close`."""
        self._writer.transport.close()
        await self._closed()

    def abort(self) -> None:
        """See `Line.abort`."""
        self._writer.transport.abort()

    async def _closed(self) -> None:
        with contextlib.suppress(OSError, TimeoutError):
            async with asyncio.timeout(2.0):
                await self._writer.wait_closed()

    def _still_there(self) -> None:
        if self.ended():
            raise OSError("the port went away")

    async def _left(self) -> None:
        pause = 0.001
        while True:
            self._still_there()
            transport = self._writer.transport
            if not transport.get_write_buffer_size() and not transport.serial.num_unwritten_bytes():
                return
            await asyncio.sleep(pause)
            pause = min(pause * 2, 0.05)


class SerialPrinter(BytePrinter):
    """ZPL or EPL bytes to a serial port."""

    @classmethod
    def from_settings(cls, settings: LineSettings) -> Self:
        """Options: device, baud, bits, parity, stop_bits, flow, open_s, write_s, answer_s, ask."""
        options = Options(settings)
        adapter = cls(
            settings.station,
            _connect(options),
            ask=options.choice("ask", ("none", *QUESTIONS), "none"),
            **printer_deadlines(options),
        )
        options.finish()
        return adapter


class CountedSerial(CountedPrinter):
    """The same to a ZPL printer that tells its label counter and is this gateway's alone."""

    @classmethod
    def from_settings(cls, settings: LineSettings) -> Self:
        """Options: those of the serial kind but ask, and variable, print_s, settle_s, late_s."""
        options = Options(settings)
        adapter = cls(
            settings.station,
            _connect(options),
            **counting(options),
            **printer_deadlines(options),
        )
        options.finish()
        return adapter


def _connect(options: Options) -> Connect:
    device = options.text("device")
    if not os.path.isabs(device):  # noqa: PTH117 - the option is text, the check is all we need
        raise options.wrong("device", f"{device!r} is no absolute path such as /dev/ttyS0")
    return partial(
        SerialLine.connect,
        device,
        options.whole("baud", 9600, least=300, most=1_000_000),
        options.whole("bits", 8, least=7, most=8),
        options.choice("parity", tuple(_PARITY), "none"),
        options.whole("stop_bits", 1, least=1, most=2),
        options.choice("flow", ("none", "rts-cts", "xon-xoff"), "rts-cts"),
        options.seconds("open_s", 3.0),
    )
