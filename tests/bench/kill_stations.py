"""The stations of the kill run: one far end for each kind, each a device that really speaks it.

They stand outside of the gateway's process, so they outlive it and remember what came out.
"""

import asyncio
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from adapters.kit import Rig
from adapters.simulator import SimulatedStation
from tests.rigs.folder import FolderRig
from tests.rigs.http_station import HttpRig
from tests.rigs.modbus import ModbusRig
from tests.rigs.mqtt import MqttRig
from tests.rigs.opcua import MachineServer
from tests.rigs.serial import CountedSerialRig, SerialRig
from tests.rigs.simulated import CountedPrinterRig, PrinterRig, SimulatedRig

PRINT_S = 0.004


@dataclass(frozen=True, slots=True)
class Traits:
    """What the site file says of the station, and what may befall it."""

    verify: bool = False
    """A finished bag must be scanned before the next may take its place."""
    bags_ahead: int = 0
    drops_repeats: bool = False
    """The device drops repeats or can always be asked: never a second label, whatever happens."""
    extra: Mapping[str, Any] = field(default_factory=dict)
    """Options of the line beside those of the rig."""


class FarEnd(ABC):
    """One station as the kill run needs it."""

    def __init__(self, traits: Traits) -> None:
        self.traits = traits

    @abstractmethod
    async def start(self) -> None:
        """Stand it up."""

    @abstractmethod
    async def stop(self) -> None:
        """Let go of everything."""

    @abstractmethod
    def lines(self) -> list[dict[str, Any]]:
        """The station's lines for the site file."""

    @abstractmethod
    async def labels(self) -> tuple[str, ...]:
        """The code on each label that came out, in order; empty on a line without labels."""

    async def bags(self) -> tuple[str, ...] | None:
        """The job id of each bag that a machine of its own made; nothing where there is none."""
        return None

    async def switch_off_and_on(self) -> None:
        """Forget what its memory holds and has not printed."""
        raise NotImplementedError(f"{type(self).__name__} has nothing that needs it")

    @property
    def machine(self) -> SimulatedStation | None:
        """The simulated machine with its row of bags, where it has one."""
        return None

    async def shows(self, job: Mapping[str, Any]) -> bool:
        """What a person sees who looks: whether this job's bag is there, label and all."""
        bags = await self.bags()
        if bags is not None and job["job_id"] not in bags:
            return False
        labels = await self.labels()
        return (not labels and bags is not None) or job["expected_scans"][0] in labels


class OneLine(FarEnd):
    """A station on one line, with its rig of the adapter's own tests."""

    def __init__(self, kind: str, rig: Rig, traits: Traits) -> None:
        super().__init__(traits)
        self._kind, self._rig = kind, rig
        if isinstance(rig, SimulatedRig):
            machine = type(rig.station)(
                kind,
                bags_ahead=traits.bags_ahead,
                auto_advance=not traits.verify,
                print_s=PRINT_S,
            )
            rig.station = machine

    @property
    def machine(self) -> SimulatedStation | None:
        """Behind the rig's face."""
        return self._rig.station if isinstance(self._rig, SimulatedRig) else None

    async def start(self) -> None:
        """Stand it up."""
        await self._rig.start()

    async def stop(self) -> None:
        """Let go of everything."""
        await self._rig.stop()

    async def switch_off_and_on(self) -> None:
        """As its rig does."""
        await self._rig.off()
        await self._rig.on()

    def lines(self) -> list[dict[str, Any]]:
        """One that is the whole station."""
        options = {**self._rig.options(), **self.traits.extra}
        return [{"kind": self._kind, "role": "whole", "options": options}]

    async def labels(self) -> tuple[str, ...]:
        """As the rig tells them."""
        return await self._rig.printed(0)


class ModbusAlone(OneLine):
    """A machine whose label comes some other way: only its bags are seen."""

    async def labels(self) -> tuple[str, ...]:
        """None."""
        return ()

    async def bags(self) -> tuple[str, ...]:
        """By the text in its registers."""
        return await self._rig.printed(0)


class OpcUaAlone(FarEnd):
    """A machine with an OPC UA server of its own."""

    def __init__(self, traits: Traits) -> None:
        super().__init__(traits)
        self._server = MachineServer()

    async def start(self) -> None:
        """Its thread loads the standard's nodes for seconds."""
        await asyncio.to_thread(self._server.start)

    async def stop(self) -> None:
        """End its thread."""
        await asyncio.to_thread(self._server.stop)

    def lines(self) -> list[dict[str, Any]]:
        """One that is the whole station."""
        options = {
            "url": f"opc.tcp://127.0.0.1:{self._server.port}/",
            "nodes": {name: node.to_string() for name, node in self._server.nodes.items()},
            **_MACHINE_S,
        }
        return [{"kind": "opcua", "role": "whole", "options": options}]

    async def labels(self) -> tuple[str, ...]:
        """None."""
        return ()

    async def bags(self) -> tuple[str, ...]:
        """By the text in its nodes."""
        return tuple(self._server.bags)


class Composed(FarEnd):
    """A printer on one line and a machine on another. The printer's labels, the machine's bags."""

    def __init__(self, printer: OneLine, machine: FarEnd, traits: Traits) -> None:
        super().__init__(traits)
        self._printer, self._machine = printer, machine

    @property
    def machine(self) -> SimulatedStation | None:
        """The printer's row."""
        return self._printer.machine

    async def start(self) -> None:
        """Both."""
        await self._printer.start()
        await self._machine.start()

    async def stop(self) -> None:
        """Both."""
        await self._printer.stop()
        await self._machine.stop()

    def lines(self) -> list[dict[str, Any]]:
        """One each."""
        return [
            {**self._printer.lines()[0], "role": "printer"},
            {**self._machine.lines()[0], "role": "machine"},
        ]

    async def labels(self) -> tuple[str, ...]:
        """The printer's."""
        return await self._printer.labels()

    async def bags(self) -> tuple[str, ...] | None:
        """The machine's."""
        return await self._machine.bags()


_PRINTER_S = {"write_s": 5.0, "answer_s": 2.0}
_COUNTED_S = {**_PRINTER_S, "print_s": 3.0, "late_s": 4.0}
_MACHINE_S = {"answer_s": 2.0, "make_s": 3.0, "watch_s": 0.25}
_STATION_S = {"connect_s": 2.0, "answer_s": 3.0, "print_s": 3.0}


def _modbus(traits: Traits = Traits(drops_repeats=True, extra=_MACHINE_S)) -> ModbusAlone:
    return ModbusAlone("modbus", ModbusRig(), traits)


KINDS: Mapping[str, Callable[[], FarEnd]] = {
    "simulated": lambda: OneLine(
        "simulated", SimulatedRig(), Traits(drops_repeats=True, extra=_STATION_S)
    ),
    "simulated-verified": lambda: OneLine(
        "simulated",
        SimulatedRig(),
        Traits(verify=True, bags_ahead=2, drops_repeats=True, extra=_STATION_S),
    ),
    "tcp": lambda: OneLine("tcp", PrinterRig(), Traits(extra=_PRINTER_S)),
    "tcp-verified": lambda: OneLine("tcp", PrinterRig(), Traits(verify=True, extra=_PRINTER_S)),
    "tcp-asked": lambda: OneLine(
        "tcp", PrinterRig(), Traits(extra={**_PRINTER_S, "ask": "zpl-status"})
    ),
    "tcp-counted": lambda: OneLine("tcp-counted", CountedPrinterRig(), Traits(extra=_COUNTED_S)),
    "serial": lambda: OneLine("serial", SerialRig(), Traits(extra=_PRINTER_S)),
    "serial-counted": lambda: OneLine(
        "serial-counted", CountedSerialRig(), Traits(extra=_COUNTED_S)
    ),
    "http": lambda: OneLine(
        "http",
        HttpRig(),
        Traits(drops_repeats=True, extra={"connect_s": 2.0, "answer_s": 3.0, "state_s": 2.0}),
    ),
    "mqtt": lambda: OneLine(
        "mqtt",
        MqttRig("kill-run/mqtt"),
        Traits(drops_repeats=True, extra={**_STATION_S, "prefix": "kill-run"}),
    ),
    "folder": lambda: OneLine("folder", FolderRig(), Traits(extra={"take_s": 3.0, "print_s": 3.0})),
    "modbus": _modbus,
    "opcua": lambda: OpcUaAlone(Traits(drops_repeats=True)),
    "composed": lambda: Composed(
        OneLine("tcp-counted", CountedPrinterRig(), Traits(extra=_COUNTED_S)),
        _modbus(),
        Traits(),
    ),
    "composed-asked": lambda: Composed(
        OneLine("simulated", SimulatedRig(), Traits(drops_repeats=True, extra=_STATION_S)),
        OpcUaAlone(Traits()),
        Traits(drops_repeats=True),
    ),
}
"""Every kind that prints or makes bags, and two that are composed; `-verified` ones are scanned."""
