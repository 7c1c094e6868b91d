"""A station of two lines: a printer that counts, and a bag machine over Modbus."""

import asyncio
from collections.abc import Mapping

from adapters.composed import Composed, claims_of
from adapters.contract import LineSettings, StationAdapter
from adapters.kit import Rig, RigCannot
from adapters.modbus import Modbus
from adapters.tcp import CountedTcp
from schemas.station import OptionValue, Role, Signal
from tests.rigs.modbus import ModbusRig
from tests.rigs.simulated import CountedPrinterRig


class PrinterAndMachine(Composed):
    """The kind that the kit judges: its claims are made of both parts."""

    claims = claims_of({Role.PRINTER: CountedTcp, Role.MACHINE: Modbus})

    @classmethod
    def from_settings(cls, settings: LineSettings) -> "PrinterAndMachine":
        parts: dict[Role, StationAdapter] = {}
        given = dict(settings.options)
        printer, machine = given.pop("printer"), given.pop("machine")
        assert isinstance(printer, dict)
        assert isinstance(machine, dict)
        parts[Role.PRINTER] = CountedTcp.from_settings(
            LineSettings(settings.station, {**printer, **given})
        )
        parts[Role.MACHINE] = Modbus.from_settings(LineSettings(settings.station, machine))
        return cls(parts)


class ComposedRig(Rig):
    """Both far ends. A bag counts as printed when its label is out and it was made."""

    unsaid = ModbusRig.unsaid

    def __init__(self) -> None:
        self.printer, self.machine = CountedPrinterRig(), ModbusRig()

    async def start(self) -> None:
        await self.printer.start()
        await self.machine.start()

    async def stop(self) -> None:
        await self.printer.stop()
        await self.machine.stop()

    def options(self) -> Mapping[str, OptionValue]:
        return {"printer": dict(self.printer.options()), "machine": dict(self.machine.options())}  # type: ignore[dict-item]

    async def printed(self, at_least: int) -> tuple[str, ...]:
        await self.machine.printed(at_least)
        return await self.printer.printed(at_least)

    async def off(self) -> None:
        await asyncio.gather(self.printer.off(), self.machine.off())

    async def on(self) -> None:
        await asyncio.gather(self.printer.on(), self.machine.on())

    def cut_next(self, after_bytes: int) -> None:
        self.printer.cut_next(after_bytes)

    def lose_next_answer(self) -> None:
        self.machine.lose_next_answer()

    def refuse_next(self) -> None:
        raise RigCannot("the label is out when the machine refuses")

    def silent(self) -> None:
        self.printer.silent()
        self.machine.silent()

    def slow(self) -> None:
        self.printer.slow()
        self.machine.slow()

    def needs_person(self) -> None:
        self.machine.needs_person()

    def garbage_next(self) -> None:
        self.printer.garbage_next()

    def heal(self) -> None:
        self.printer.heal()
        self.machine.heal()

    def report(self, signal: Signal) -> None:
        self.machine.report(signal)

    def made(self) -> tuple[tuple[float, float], ...]:
        return self.machine.made()

    def passed(self) -> tuple[str, ...]:
        return self.machine.passed()

    def lines(self) -> int:
        return self.printer.lines() + self.machine.lines()
