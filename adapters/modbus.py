"""A bag machine over Modbus TCP, its values at places that the site file names.

    registers = { length_mm = "100 u16 x10", job = "104 u32", trigger = "110 u16", ... }
Each is ADDRESS TYPE and perhaps xSCALE: the address as it goes over the wire (from 0), the type
u16, i16, u32, i32, f32 or textN (N registers, two bytes each), and what a value is multiplied by.
"""

import asyncio
import logging
import re
import struct
from dataclasses import dataclass
from typing import Self

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException

from adapters.contract import LineSettings
from adapters.errors import Misconfigured, NothingSent
from adapters.machine import (
    DEMANDED,
    NAMES,
    Machine,
    Rejected,
    Unanswered,
    Unreached,
)
from adapters.machine_reports import Value, lacking
from adapters.options import Options
from adapters.why_lost import why_lost
from schemas.station import ReceiptStage

# On each error the library logs its last frames, thousands of bytes: our errors say what matters.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)

_PLACE = re.compile(r"(\d{1,5}) (u16|i16|u32|i32|f32|text(\d{1,3}))(?: x(\d+(?:\.\d+)?))?")
_PACK = {"u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "f32": ">f"}
_NO_SUCH_PLACE = {1, 2, 3}
_MOST_REGISTERS = 120
"""A request may read 125 and write 123 registers (Modbus application protocol, from memory)."""


@dataclass(frozen=True, slots=True)
class Register:
    """Where a value is and how it is written."""

    address: int
    sort: str
    scale: float = 1.0
    big_first: bool = True

    @property
    def count(self) -> int:
        """Registers that it takes."""
        if self.sort.startswith("text"):
            return int(self.sort[4:])
        return struct.calcsize(_PACK[self.sort]) // 2

    def words(self, value: Value) -> list[int]:
        """The value as registers. Raises `ValueError` when it does not fit."""
        if self.sort.startswith("text"):
            raw = str(value).encode()
            if len(raw) > 2 * self.count:
                raise ValueError(f"{len(raw)} bytes do not fit in {self.count} registers")
            raw = raw.ljust(2 * self.count, b"\0")
            return [int.from_bytes(raw[at : at + 2], "big") for at in range(0, len(raw), 2)]
        number = float(value) * self.scale
        try:
            raw = struct.pack(_PACK[self.sort], number if self.sort == "f32" else round(number))
        except (struct.error, OverflowError) as wrong:
            raise ValueError(f"{number:g} does not fit in {self.sort}") from wrong
        words = [int.from_bytes(raw[at : at + 2], "big") for at in range(0, len(raw), 2)]
        return words if self.big_first else words[::-1]

    def value(self, words: list[int]) -> Value:
        """The value in these registers."""
        if self.sort.startswith("text"):
            raw = b"".join(word.to_bytes(2, "big") for word in words)
            return raw.rstrip(b"\0").decode("utf-8", "replace")
        ordered = words if self.big_first else words[::-1]
        raw = b"".join(word.to_bytes(2, "big") for word in ordered)
        number: int | float = struct.unpack(_PACK[self.sort], raw)[0]
        return number if self.scale == 1.0 else number / self.scale


class Modbus(Machine):
    """One connection, no repeats below us: the library's own are switched off."""

    def __init__(
        self,
        station: str,
        host: str,
        port: int,
        registers: dict[str, Register],
        *,
        unit: int,
        answer_s: float,
        make_s: float,
        watch_s: float,
        arm_after: ReceiptStage,
    ) -> None:
        super().__init__(
            station, frozenset(registers), make_s=make_s, watch_s=watch_s, arm_after=arm_after
        )
        self._host, self._port, self._unit = host, port, unit
        self._registers = registers
        self._answer_s = answer_s
        self._client: AsyncModbusTcpClient | None = None

    @classmethod
    def from_settings(cls, settings: LineSettings) -> Self:
        """Options: host, port (502), unit, registers, word_order, arm_after, and in seconds
        answer_s, make_s, watch_s.
        """
        options = Options(settings)
        big_first = options.choice("word_order", ("big", "little"), "big") == "big"
        adapter = cls(
            settings.station,
            options.text("host"),
            options.port(default=502),
            _registers(options, big_first),
            unit=options.whole("unit", 1, least=0, most=247),
            answer_s=options.seconds("answer_s", 1.0),
            make_s=options.seconds("make_s", 15.0),
            watch_s=options.seconds("watch_s", 0.5),
            arm_after=ReceiptStage(options.choice("arm_after", ("printed", "sent"), "printed")),
        )
        options.finish()
        return adapter

    async def connect(self) -> None:
        """Connect unless the line is alive."""
        if self._client is not None and self._client.connected:
            return
        await self.disconnect()
        client = AsyncModbusTcpClient(
            self._host, port=self._port, timeout=self._answer_s, retries=0, reconnect_delay=0
        )
        try:
            connected = await client.connect()
        except (ModbusException, OSError) as fault:
            raise NothingSent(
                f"station {self.station}: {self._host}:{self._port} can't be reached:"
                f" {why_lost(fault)}"
            ) from fault
        if not connected:
            client.close()
            raise NothingSent(
                f"station {self.station}: {self._host}:{self._port} does not answer",
                do="Look at the machine's power and network.",
            )
        self._client = client

    async def disconnect(self) -> None:
        """Close the connection."""
        client, self._client = self._client, None
        if client is not None:
            client.close()
            await asyncio.sleep(0)

    async def read(self, name: str) -> Value:
        """Read a value's registers."""
        place = self._registers[name]
        words: list[int] = []
        for at in range(0, place.count, _MOST_REGISTERS):
            count = min(_MOST_REGISTERS, place.count - at)
            try:
                answer = await self._living().read_holding_registers(
                    place.address + at, count=count, device_id=self._unit
                )
            except ModbusException as fault:
                await self.disconnect()
                raise Unreached(f"{name} can't be read: no answer") from fault
            if answer.isError() or len(answer.registers) != count:
                raise _rejected(name, answer.exception_code)
            words += answer.registers
        return place.value(words)

    async def write(self, name: str, value: Value) -> None:
        """Write a value's registers."""
        place = self._registers[name]
        try:
            words = place.words(value)
        except ValueError as wrong:
            raise Misconfigured(
                f"station {self.station}: {name} {value}: {wrong}",
                do="Check its type and scale in the site file.",
            ) from wrong
        for at in range(0, place.count, _MOST_REGISTERS):
            piece = words[at : at + _MOST_REGISTERS]
            try:
                answer = await self._living().write_registers(
                    place.address + at, piece, device_id=self._unit
                )
            except ConnectionException as fault:
                await self.disconnect()
                raise Unreached(f"{name} can't be written: no line") from fault
            except ModbusException as fault:
                await self.disconnect()
                raise Unanswered(f"{name} was written without an answer") from fault
            if answer.isError():
                raise _rejected(name, answer.exception_code)

    def _living(self) -> AsyncModbusTcpClient:
        if self._client is None or not self._client.connected:
            raise Unreached("the line to the machine is gone")
        return self._client


def _rejected(name: str, code: int) -> Rejected:
    return Rejected(f"{name}: exception code {code}", wrong_place=code in _NO_SUCH_PLACE)


def _registers(options: Options, big_first: bool) -> dict[str, Register]:
    table = options.table("registers")
    for name in DEMANDED:
        if name not in table:
            raise options.wrong("registers", f"{name} is missing")
    if missing := lacking(frozenset(table)):
        raise options.wrong("registers", missing)
    registers = {}
    for name, text in table.items():
        found = _PLACE.fullmatch(str(text))
        if name not in NAMES:
            raise options.wrong("registers", f"{name} is none of {', '.join(NAMES)}")
        if found is None or int(found[1]) > 65535:
            raise options.wrong("registers", f"{name}: {text!r} is not ADDRESS TYPE [xSCALE]")
        registers[name] = Register(int(found[1]), found[2], float(found[4] or 1), big_first)
    return registers
