"""A bag machine's controller: a real Modbus server whose registers make bags when triggered."""

import asyncio
from collections import Counter
from collections.abc import Mapping

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from adapters.kit import Rig
from adapters.kit.conformance import eventually
from adapters.machine import job_number
from adapters.machine_reports import Value
from adapters.modbus import Register
from schemas.station import OptionValue, Signal, SignalKind
from tests.rigs.machine_values import MACHINE_UNSAID, values_of

REGISTERS = {
    "length_mm": "100 u16 x10",
    "width_mm": "101 f32",
    "seal": "103 u16",
    "job": "104 u32",
    "trigger": "110 u16",
    "done_job": "112 u32",
    "state": "114 u16",
    "job_text": "200 text100",
    "pass_by": "120 u16",
    "pass_code": "121 text20",
    "advanced": "300 u16",
    "pulled": "301 u16",
    "pulled_position": "302 u16",
    "supply_low": "303 u16",
    "film_changed": "304 u16",
    "fault": "305 u16",
    "item_measured": "306 u16",
    "item_present": "307 u16",
    "item_code": "310 text20",
    "item_length_mm": "330 u16 x10",
    "item_width_mm": "331 f32",
    "item_height_mm": "333 u16 x10",
    "item_mass_g": "334 u32",
}
_TRIGGER, _DONE, _STATE, _PASS, _PASS_CODE, _TEXT = 110, 112, 114, 120, 121, 200
_IDLE, _SUSPENDED, _HELD = 4, 5, 11


class ModbusRig(Rig):
    """Each trigger makes one bag, named by the text in its registers."""

    word_order = "big"
    unsaid = MACHINE_UNSAID

    def __init__(self) -> None:
        self.bags: list[str] = []
        self._sizes: list[tuple[float, float]] = []
        self._server: ModbusTcpServer | None = None
        self._port = 0
        self._next = ""
        self._spoilt = -1
        self._pause: float = 0
        self._reads = asyncio.Event()
        self._reads.set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._values = {_STATE: [_IDLE]}
        self._counts: Counter[str] = Counter()
        self._passed: list[str] = []

    async def start(self) -> None:
        await self.on()

    async def stop(self) -> None:
        await self.off()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def address(self) -> tuple[str, int]:
        return ("127.0.0.1", self._port)

    def options(self) -> Mapping[str, OptionValue]:
        return {
            "host": "127.0.0.1",
            "port": self._port,
            "registers": dict(REGISTERS),
            "word_order": self.word_order,
            "answer_s": 0.4,
            "make_s": 0.5,
            "watch_s": 0.01,
        }

    async def printed(self, at_least: int) -> tuple[str, ...]:
        await eventually(lambda: len(self.bags) >= at_least, f"fewer than {at_least} bags")
        return tuple(self.bags)

    async def on(self) -> None:
        data = [SimData(0, count=400, values=0, datatype=DataType.REGISTERS)]
        self._server = ModbusTcpServer(
            SimDevice(1, simdata=data, action=self._asked), address=("127.0.0.1", self._port)
        )
        await self._server.serve_forever(background=True)
        self._port = self._server.transport.sockets[0].getsockname()[1]
        for address, words in self._values.items():
            await self._set(address, words)

    async def off(self) -> None:
        server, self._server = self._server, None
        if server is not None:
            await server.shutdown()
            await asyncio.sleep(0.01)

    def cut_next(self, after_bytes: int) -> None:
        self._next = "cut"

    def lose_next_answer(self) -> None:
        self._next = "lose"

    def garbage_next(self) -> None:
        self._next = "garbage"

    def refuse_next(self) -> None:
        self._next = "refuse"

    def silent(self) -> None:
        self._reads.clear()

    def slow(self) -> None:
        self._pause = 0.005

    def needs_person(self) -> None:
        self._later(self._set(_STATE, [_HELD]))

    def heal(self) -> None:
        self._next, self._pause = "", 0
        self._reads.set()
        self._later(self._set(_STATE, [_IDLE]))

    async def set_state(self, number: int) -> None:
        """Put the machine into a state of the standard."""
        await self._set(_STATE, [number])

    def spoil(self, name: str) -> None:
        """Something else writes this register after each write."""
        self._spoilt = int(REGISTERS[name].split()[0])

    def report(self, signal: Signal) -> None:
        if signal.kind is SignalKind.STATE:
            self._later(self._set(_STATE, [_SUSPENDED]))
        elif signal.kind is SignalKind.SEALED:
            self._later(self._set(_DONE, [1, 1]))
        else:
            self._later(self.put(values_of(signal, self._counts)))

    async def put(self, values: Mapping[str, Value]) -> None:
        """Write values as the machine's own program does, in this order."""
        for name, value in values.items():
            place = self._place(name)
            await self._set(place.address, place.words(value))

    def made(self) -> tuple[tuple[float, float], ...]:
        return tuple(self._sizes)

    def passed(self) -> tuple[str, ...]:
        return tuple(self._passed)

    def lines(self) -> int:
        return 0 if self._server is None else len(self._server.active_connections)

    def _later(self, work: "asyncio._CoroutineLike[None]") -> None:
        task = asyncio.ensure_future(work)
        task.set_name("rig modbus")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _set(self, address: int, words: list[int]) -> None:
        if self._server is not None:
            await self._server.context.async_setValues(1, 16, address, words)

    async def _asked(
        self,
        function: int,
        start: int,
        address: int,
        count: int,
        current: list[int],
        new: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        await self._reads.wait()
        await asyncio.sleep(self._pause)
        if new is not None and address == self._spoilt:
            self._later(self._set(address, [1]))
        if new is not None and address == _PASS:
            self._passed.append(str(Register(_PASS_CODE, "text20").value(current[121:141])))
        if new is None or address != _TRIGGER or list(new) != [1]:
            return None
        how, self._next = self._next, ""
        if how == "refuse":
            return ExcCodes.DEVICE_BUSY
        if how != "cut" and how != "garbage":
            self._later(self._make(current))
        if how:
            assert self._server is not None
            for line in list(self._server.active_connections.values()):
                line.transport.abort()
        return None if how in {"", "lose"} else ExcCodes.DEVICE_BUSY

    def _place(self, name: str) -> Register:
        address, sort, *scale = REGISTERS[name].split()
        factor = float(scale[0][1:]) if scale else 1.0
        return Register(int(address), sort, factor, self.word_order == "big")

    def _held(self, name: str, current: list[int]) -> float:
        place = self._place(name)
        return float(place.value(current[place.address : place.address + place.count]))

    async def _make(self, current: list[int]) -> None:
        words = current[_TEXT : _TEXT + 100]
        name = str(Register(_TEXT, "text100").value(words))
        self.bags.append(name)
        self._sizes.append((self._held("width_mm", current), self._held("length_mm", current)))
        done = Register(_DONE, "u32", big_first=self.word_order == "big").words(job_number(name))
        await self._set(_DONE, done)
        await self._set(_TRIGGER, [0])


class LittleEndianModbusRig(ModbusRig):
    """The same with the low word first."""

    word_order = "little"
