"""The two ways to talk to a simulated station: its own JSON lines, and a plain printer port."""

import asyncio
import base64
import binascii
from typing import TYPE_CHECKING

from adapters.json_lines import Garbage, JsonLines, Message
from adapters.line import Line, LineLost
from adapters.simulator.cycle import Bag
from adapters.simulator.faults import FaultKind
from adapters.simulator.labels import Label, LabelStream, Query
from schemas.station import Fate, MachineState, Signal

if TYPE_CHECKING:
    from adapters.simulator.serve import SimulatedStation

_PATIENCE_S = 30.0


class StationFace:
    """One connection that speaks the simulator's own protocol."""

    def __init__(self, station: "SimulatedStation", line: Line) -> None:
        self._station = station
        self._line = line
        self._messages = JsonLines(line)
        self._out: asyncio.Queue[Message] = asyncio.Queue()
        self._number = 0
        self._seen = 0

    async def serve(self) -> None:
        """Answer until the line ends; the station is told what to report here meanwhile."""
        self._station.listeners.add(self)
        writer = asyncio.create_task(self._write(), name="simulated station answers")
        try:
            while (message := await self._next()) is not None:
                await self._answer(message)
        except (LineLost, Garbage):
            self._line.abort()
        finally:
            self._station.listeners.discard(self)
            writer.cancel()
            await asyncio.gather(writer, return_exceptions=True)
            await self._line.close()

    def report(self, signal: Signal) -> None:
        """Queue a report for this connection."""
        self._number += 1
        said = signal.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
        said |= {"signal": signal.kind.value, "number": self._number}
        said.pop("kind", None)
        self._say(said)

    def _say(self, message: Message) -> None:
        self._out.put_nowait(message)
        if self._station.script.coming(FaultKind.REPEATS):
            self._out.put_nowait(message)

    async def _write(self) -> None:
        while True:
            message = await self._out.get()
            await self._station.pace()
            try:
                await self._messages.send(message, _PATIENCE_S)
            except LineLost:
                return

    async def _next(self) -> Message | None:
        while not self._messages.has_next():
            await self._station.reading()
            piece = await self._line.read(self._station.bite(16), None)
            await self._station.reading()
            if not piece:
                return None
            self._messages.take(piece)
            script = self._station.script
            starts_job = self._messages.held().startswith(b'{"type":"job"')
            if starts_job and script.coming(FaultKind.CUT):
                self._seen += len(piece)
                if self._seen >= script.cut_at:
                    script.befalls()
                    raise LineLost("cut by the script")
        self._seen = 0
        return self._messages.next()

    async def _answer(self, message: Message) -> None:
        station, about = self._station, message.get("id")
        match message.get("type"):
            case "job":
                self._job(message)
            case "state":
                self._say({"re": about} | station.condition().model_dump(mode="json"))
            case "fate":
                self._say({"re": about, "fate": station.fate(str(message.get("job_id"))).value})
            case "count":
                self._say({"re": about, "count": station.printed_count})
            case "hold":
                station.hold(str(message.get("reason", "")))
                self._say({"re": about, "ok": True})
            case "release":
                station.release()
                self._say({"re": about, "ok": True})
            case "pass_by":
                station.passed.append(str(message.get("code", "")))
                self._say({"re": about, "ok": True})
            case other:
                self._say({"re": about, "refused": f"there is no message {other!r}"})

    def _job(self, message: Message) -> None:
        station, about, job_id = self._station, message.get("id"), str(message.get("job_id"))
        fault = station.script.befalls()
        if station.fate(job_id) in {Fate.PRINTED, Fate.WAITING}:
            printed = station.fate(job_id) is Fate.PRINTED
            stage = "printed" if printed else "accepted"
            self._say({"re": about, "stage": stage, "repeated": True})
            return
        label = label_in(message)
        if fault is FaultKind.REFUSE or label is None:
            self._say({"re": about, "refused": "told to refuse" if label else "no whole label"})
        elif station.shown_faults:
            self._say({"re": about, "needs_person": ", ".join(sorted(station.shown_faults))})
        elif fault is FaultKind.SAYS_PRINTED:
            self._say({"re": about, "stage": "printed", "device_job": "0"})
        elif fault is FaultKind.GARBAGE:
            self._say({"re": "\x00\xff", "stage": ["what?"]})
            self._line.abort()
        else:
            self._print(message, label, fault)

    def _print(self, message: Message, label: Label, fault: FaultKind | None) -> None:
        about, job_id = message.get("id"), str(message.get("job_id"))

        def printed(bag: Bag) -> None:
            if fault is FaultKind.LOSES_LINE:
                self._line.abort()
            elif fault is not FaultKind.ANSWERS_NOTHING:
                self._say({"re": about, "stage": "printed", "device_job": str(bag.number)})
            if fault is FaultKind.REPEATS:
                self._say({"re": about, "stage": "printed", "device_job": str(bag.number)})

        if fault not in {FaultKind.ANSWERS_NOTHING, FaultKind.LOSES_LINE}:
            self._say({"re": about, "stage": "accepted"})
        times = 2 if fault is FaultKind.TWICE else 1
        self._station.queue_label(label, job_id, printed, times, size_in(message))


def size_in(message: Message) -> tuple[float, float] | None:
    """Width and length of the bag in a job message; nothing when it tells none."""
    width_mm, length_mm = message.get("width_mm"), message.get("length_mm")
    if isinstance(width_mm, int | float) and isinstance(length_mm, int | float):
        return (width_mm, length_mm)
    return None


def label_in(message: Message) -> Label | None:
    """The label in a job message; nothing when it holds no whole one."""
    try:
        data = base64.b64decode(str(message.get("label", "")), validate=True)
    except binascii.Error:
        return None
    labels = [one for one in LabelStream().feed(data) if isinstance(one, Label)]
    return labels[0] if labels else None


class PrinterFace:
    """One connection that speaks a printer language."""

    def __init__(self, station: "SimulatedStation", line: Line) -> None:
        self._station = station
        self._line = line
        self._stream = LabelStream()

    async def serve(self) -> None:
        """Print and answer until the line ends."""
        try:
            while data := await self._read():
                for piece in self._pieces(data):
                    for read in self._stream.feed(piece):
                        await self._take(read)
                    self._cut_when_due()
        except LineLost:
            self._line.abort()
        finally:
            await self._line.close()

    async def _read(self) -> bytes:
        await self._station.reading()
        await self._station.pace()
        piece = await self._line.read(self._station.bite(16), None)
        await self._station.reading()
        return piece

    def _pieces(self, data: bytes) -> list[bytes]:
        if not self._station.script.coming(FaultKind.CUT):
            return [data]
        return [data[at : at + 1] for at in range(len(data))]

    def _cut_when_due(self) -> None:
        script = self._station.script
        due = self._stream.half >= max(script.cut_at, 1)
        if script.coming(FaultKind.CUT) and due:
            script.befalls()
            raise LineLost("cut by the script")

    async def _take(self, read: Label | Query) -> None:
        if isinstance(read, Label):
            fault = self._station.script.befalls()
            if fault in {FaultKind.SAYS_PRINTED, FaultKind.REFUSE, FaultKind.GARBAGE}:
                return
            times = read.copies * (2 if fault is FaultKind.TWICE else 1)
            self._station.queue_label(read, "", lambda _: None, times)
            if fault is FaultKind.LOSES_LINE:
                raise LineLost("cut by the script")
        elif not self._station.script.coming(FaultKind.ANSWERS_NOTHING):
            await self._line.write(self._reply(read.what), _PATIENCE_S)

    def _reply(self, what: str) -> bytes:
        station = self._station
        if station.script.coming(FaultKind.GARBAGE):
            return b"\x02what,?\x03\r\n\xff\xfe"
        if what == "host-status":
            return _host_status(station, self._stream.half > 0)
        if what == "error-code":
            return _error_code(station)
        return f'"{station.printed_count}"'.encode()


def _host_status(station: "SimulatedStation", half: bool) -> bytes:
    shown = station.shown_faults
    paused = station.cycle.state is MachineState.HELD
    waiting = station.waiting
    first = f"030,{'paper out' in shown:d},{paused:d},1218,{waiting:03d},0,0,{half:d},000,0,0,0"
    second = f"000,0,{'head open' in shown:d},{'ribbon out' in shown:d},0,2,4,0,{0:08d},1,000"
    return b"".join(b"\x02%s\x03\r\n" % one.encode() for one in (first, second, "1234,0"))


def _error_code(station: "SimulatedStation") -> bytes:
    shown = station.shown_faults
    if {"paper out", "ribbon out"} & shown:
        return b"07\r\n"
    if "head open" in shown:
        return b"11\r\n"
    return b"12\r\n" if station.cycle.state is MachineState.HELD else b"00\r\n"
