"""The simulated station as far end: its JSON face and its printer face, on sockets or in memory."""

import asyncio
from collections.abc import Mapping
from typing import Literal

from adapters.contract import StationAdapter
from adapters.kit import Rig, RigCannot
from adapters.kit.conformance import eventually
from adapters.line import Line, LineLost, memory_pair
from adapters.printer import BytePrinter, CountedPrinter
from adapters.simulated import Simulated
from adapters.simulator import Fault, FaultKind, SimulatedStation
from schemas.station import MachineState, OptionValue, Signal

NO_REFUSAL = "a printer language has no way to refuse"


class SimulatedRig(Rig):
    """The JSON face on a real socket."""

    face: Literal["station", "printer"] = "station"
    extra: Mapping[str, OptionValue] = {"answer_s": 0.4, "print_s": 0.4, "connect_s": 1.0}

    def __init__(self) -> None:
        self.station = SimulatedStation()

    async def start(self) -> None:
        """Small receive buffers, so that a peer that does not read is felt soon."""
        await self.station.start(receive_buffer=16384)

    async def stop(self) -> None:
        """Stop the station."""
        await self.station.stop()

    def address(self) -> tuple[str, int]:
        """The face's address."""
        station = self.station
        return station.station_address if self.face == "station" else station.printer_address

    def options(self) -> Mapping[str, OptionValue]:
        """Its address and short deadlines."""
        host, port = self.address()
        return {"host": host, "port": port, **self.extra}

    async def printed(self, at_least: int) -> tuple[str, ...]:
        """The first code of each label."""
        await eventually(
            lambda: self.station.printed_count >= at_least, f"fewer than {at_least} labels"
        )
        return tuple(codes[0] if codes else "" for codes in self.station.printed_codes)

    async def off(self) -> None:
        """Switch it off."""
        self.station.off()
        await asyncio.sleep(0.01)

    async def on(self) -> None:
        """Switch it on."""
        self.station.on()

    def cut_next(self, after_bytes: int) -> None:
        """By the script."""
        self.station.inject(Fault(FaultKind.CUT, after_bytes=after_bytes))

    def lose_next_answer(self) -> None:
        """By the script."""
        self.station.inject(Fault(FaultKind.LOSES_LINE))

    def garbage_next(self) -> None:
        """By the script."""
        self.station.inject(Fault(FaultKind.GARBAGE))

    def refuse_next(self) -> None:
        """By the script."""
        self.station.inject(Fault(FaultKind.REFUSE))

    def silent(self) -> None:
        """By the script."""
        self.station.inject(Fault(FaultKind.SILENT))

    def slow(self) -> None:
        """By the script."""
        self.station.inject(Fault(FaultKind.SLOW, seconds=0.002))

    def needs_person(self) -> None:
        """Out of paper."""
        self.station.shown_faults.add("paper out")

    def heal(self) -> None:
        """End every fault."""
        self.station.heal()

    def report(self, signal: Signal) -> None:
        """Report it."""
        self.station.report(signal)

    def held(self) -> bool:
        """Its machine state."""
        return self.station.cycle.state is MachineState.HELD

    def made(self) -> tuple[tuple[float, float], ...]:
        """As it was told with each job."""
        return tuple(bag.size_mm for bag in self.station.cycle.printed if bag.size_mm is not None)

    def passed(self) -> tuple[str, ...]:
        """As it was told."""
        return tuple(self.station.passed)

    def lines(self) -> int:
        """Lines that it serves."""
        return self.station.open_lines


class PrinterRig(SimulatedRig):
    """The printer face on a real socket."""

    face = "printer"
    extra: Mapping[str, OptionValue] = {"write_s": 1.0, "answer_s": 0.3, "connect_s": 1.0}

    def refuse_next(self) -> None:
        """It can't."""
        raise RigCannot(NO_REFUSAL)


class AskedPrinterRig(PrinterRig):
    """The printer face, asked for its status before each label."""

    extra: Mapping[str, OptionValue] = {**PrinterRig.extra, "ask": "zpl-status"}


class CountedPrinterRig(PrinterRig):
    """The printer face, asked for its counter."""

    extra: Mapping[str, OptionValue] = {**PrinterRig.extra, "print_s": 0.5, "settle_s": 0.05}


class _InMemory(SimulatedRig):
    """No sockets: each connect makes a fresh pair of line ends."""

    def __init__(self) -> None:
        super().__init__()
        self._on = True
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Only its machine runs."""
        self.station.start_machine()

    def address(self) -> tuple[str, int]:
        """None is listened on; the options must still be whole."""
        return ("in-memory", 9)

    async def connect(self) -> Line:
        """A fresh line to the station."""
        if not self._on:
            raise LineLost("the station is off")
        near, far = memory_pair()
        serve = self.station.serve_station if self.face == "station" else self.station.serve_printer
        task = asyncio.create_task(serve(far), name="rig line")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return near

    async def off(self) -> None:
        """Every line breaks."""
        self._on = False
        self.station.off()
        await asyncio.sleep(0)

    async def on(self) -> None:
        """Lines can be made again."""
        self._on = True

    async def stop(self) -> None:
        """Stop the station and its lines."""
        await self.station.stop()
        await asyncio.gather(*self._tasks, return_exceptions=True)


class MemorySimulatedRig(_InMemory):
    """The JSON face in memory."""

    def build(self, kind: str | type[StationAdapter], station: str) -> StationAdapter:
        """On the in-memory line."""
        return Simulated(station, self.connect, answer_s=0.4, print_s=0.4)


class MemoryPrinterRig(_InMemory):
    """The printer face in memory."""

    face = "printer"

    def refuse_next(self) -> None:
        """It can't."""
        raise RigCannot(NO_REFUSAL)

    def build(self, kind: str | type[StationAdapter], station: str) -> StationAdapter:
        """On the in-memory line."""
        return BytePrinter(station, self.connect, ask="zpl-status", write_s=0.5, answer_s=0.3)


class MemoryCountedRig(_InMemory):
    """The printer face in memory, asked for its counter."""

    face = "printer"

    def refuse_next(self) -> None:
        """It can't."""
        raise RigCannot(NO_REFUSAL)

    def build(self, kind: str | type[StationAdapter], station: str) -> StationAdapter:
        """On the in-memory line."""
        return CountedPrinter(
            station, self.connect, write_s=0.5, answer_s=0.3, print_s=0.5, settle_s=0.05
        )
