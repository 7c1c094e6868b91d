"""A scanner line: real sockets, codes in pieces, and a station that keeps printing without it."""

import asyncio
from collections.abc import AsyncIterator

import pytest

from adapters.composed import Composed
from adapters.contract import LineSettings
from adapters.errors import Misconfigured, NothingSent
from adapters.scanner import Scanner
from adapters.simulated import Simulated
from adapters.simulator import SimulatedStation, start
from adapters.trial_label import order
from schemas.station import MachineState, ReceiptStage, Role, Signal, SignalKind


class _Device:
    """The scanner itself."""

    def __init__(self) -> None:
        self.port = 0
        self._lines: list[asyncio.StreamWriter] = []
        self.connected = asyncio.Event()

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        self._server.close()
        for line in self._lines:
            line.transport.abort()
        self._lines.clear()
        self.connected.clear()
        await self._server.wait_closed()

    async def send(self, *pieces: bytes) -> None:
        await self.connected.wait()
        for piece in pieces:
            self._lines[-1].write(piece)
            await self._lines[-1].drain()
            await asyncio.sleep(0)

    async def _serve(self, _: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._lines.append(writer)
        self.connected.set()


@pytest.fixture
async def device() -> AsyncIterator[_Device]:
    """A scanner on a free port."""
    device = _Device()
    await device.start()
    yield device
    await device.stop()


def _adapter(device: _Device) -> Scanner:
    options = {"host": "127.0.0.1", "port": device.port, "no_read": "NOREAD", "connect_s": 1.0}
    return Scanner.from_settings(LineSettings("s", options))


async def _heard(adapter: Scanner | Composed, count: int) -> list[Signal]:
    found: list[Signal] = []
    async with asyncio.timeout(5):
        async for signal in adapter.signals():
            found.append(signal)
            if len(found) == count:
                break
    return found


# Symbology identifiers: ISO/IEC 15424, ]C1 GS1-128 and ]d2 GS1 Data Matrix (from memory).
@pytest.mark.parametrize(
    ("pieces", "codes"),
    [
        ((b"9521234000001\r\n",), ["9521234000001"]),
        ((b"95212", b"34\r", b"\n77\n"), ["9521234", "77"]),
        ((b"]C100095212340000000017\r",), ["00095212340000000017"]),
        ((b"]d2010952123400000110A\x1d21B\n",), ["010952123400000110A\x1d21B"]),
        ((b"\x0212\x03\r\n\r\n\r\n34\r\n",), ["12", "34"]),
        ((b"NOREAD\r\n5\r\n",), ["", "5"]),
    ],
)
async def test_each_line_is_a_scan(
    device: _Device, pieces: tuple[bytes, ...], codes: list[str]
) -> None:
    """Whatever the line end, the pieces and the frame; an empty code is a try without a read."""
    adapter = _adapter(device)
    await adapter.open()
    await device.send(*pieces)
    heard = await _heard(adapter, len(codes))
    await adapter.close()
    assert [(signal.kind, signal.code) for signal in heard] == [
        (SignalKind.SCAN, code) for code in codes
    ]


async def test_scanner_that_babbles_is_told_and_survived(device: _Device) -> None:
    """Bytes without a line end cost no memory and no later scan."""
    adapter = _adapter(device)
    await adapter.open()
    await device.send(b"x" * 6000, b"\n")
    await device.send(b"y" * 500 + b"\n12\n")
    faults = 0
    async with asyncio.timeout(5):
        async for signal in adapter.signals():
            if signal.code == "12":
                break
            faults += signal.kind is SignalKind.FAULT
    await adapter.close()
    assert faults >= 2


async def test_scanner_that_is_lost_ends_the_reports_and_is_opened_again(device: _Device) -> None:
    """Offline is said, the stream ends, and the next opening hears the next scan."""
    adapter = _adapter(device)
    await adapter.open()
    await device.connected.wait()
    await device.stop()
    (last,) = [signal async for signal in adapter.signals()]
    assert last.state is MachineState.OFFLINE
    with pytest.raises(NothingSent):
        await adapter.open()
    await device.start()
    await adapter.open()
    await device.send(b"again\n")
    assert [signal.code for signal in await _heard(adapter, 1)] == ["again"]
    await adapter.close()


async def test_scanner_takes_no_label(device: _Device) -> None:
    """A job for a scanner is a mistake of the site file."""
    adapter = _adapter(device)
    with pytest.raises(Misconfigured, match="scanner"):
        await adapter.deliver(order("wrong"))


@pytest.fixture
async def station() -> AsyncIterator[SimulatedStation]:
    """A simulated station."""
    station = await start()
    yield station
    await station.stop()


async def test_station_with_a_scanner_is_one(device: _Device, station: SimulatedStation) -> None:
    """Scans of the scanner and reports of the machine come through one stream."""
    whole = Simulated.from_settings(LineSettings("s", {"port": station.station_address[1]}))
    both = Composed({Role.WHOLE: whole, Role.SCANNER: _adapter(device)})
    await both.open()
    assert both.claims.drops_repeats
    receipt = await both.deliver(order("one"))
    assert receipt.stage is ReceiptStage.PRINTED
    await device.send(b"one\n")
    kinds = {(signal.kind, signal.code) for signal in await _heard(both, 2)}
    assert kinds == {(SignalKind.PRINTED, "one"), (SignalKind.SCAN, "one")}
    await both.close()


async def test_station_prints_on_while_its_scanner_is_off(
    device: _Device, station: SimulatedStation
) -> None:
    """A dead scanner stops no label."""
    whole = Simulated.from_settings(LineSettings("s", {"port": station.station_address[1]}))
    both = Composed({Role.WHOLE: whole, Role.SCANNER: _adapter(device)})
    await device.stop()
    with pytest.raises(NothingSent):
        await both.open()
    assert (await both.deliver(order("two"))).stage is ReceiptStage.PRINTED
    await both.close()
    await device.start()
