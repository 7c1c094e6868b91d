"""A simulated station on real sockets, with hands for tests and the demo to work it by."""

import asyncio
import socket
from collections import deque
from collections.abc import Callable, Coroutine
from dataclasses import dataclass

from adapters.line import Line, TcpLine
from adapters.simulator.cycle import Bag, Cycle
from adapters.simulator.faces import PrinterFace, StationFace
from adapters.simulator.faults import Fault, FaultKind, Script
from adapters.simulator.labels import Label
from schemas.station import Fate, MachineState, Signal, SignalKind, StationCondition

Address = tuple[str, int]


@dataclass(frozen=True, slots=True)
class _Waiting:
    label: Label
    job_id: str
    printed: Callable[[Bag], None]
    times: int
    size_mm: tuple[float, float] | None


class SimulatedStation:
    """One station with two faces. Everything that a person does at it is a method.

    `auto_advance`: a bag at the loading place is sealed by itself when the next label comes, as if
    a person had loaded it; without it the label waits until `seal` or `advance`.
    """

    def __init__(
        self,
        name: str = "simulated",
        *,
        bags_ahead: int = 0,
        auto_advance: bool = True,
        print_s: float = 0.0,
        faults: tuple[Fault, ...] = (),
    ) -> None:
        self.name = name
        self.cycle = Cycle(bags_ahead)
        self.script = Script(faults)
        self.shown_faults: set[str] = set()
        """What the printer complains of: "paper out", "ribbon out", "head open"."""
        self.passed: list[str] = []
        """Codes of goods that it was told to let pass unpacked."""
        self.listeners: set[StationFace] = set()
        self._auto_advance, self._print_s = auto_advance, print_s
        self._queue: deque[_Waiting] = deque()
        self._wake = asyncio.Event()
        self._reads = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        self._lines: set[Line] = set()
        self._sockets: list[socket.socket] = []
        self._addresses: list[Address] = []
        self._receive_buffer: int | None = None

    # Life

    async def start(
        self,
        *,
        host: str = "127.0.0.1",
        station_port: int = 0,
        printer_port: int = 0,
        receive_buffer: int | None = None,
    ) -> None:
        """Listen on both faces; port 0 takes a free one."""
        self._addresses = [(host, station_port), (host, printer_port)]
        self._receive_buffer = receive_buffer
        self.start_machine()
        self.on()

    def start_machine(self) -> None:
        """Run without listening: for lines that are handed to `serve_station` and so on."""
        self._reads_as_scripted()
        self._begin(self._work(), "simulated machine")

    async def stop(self) -> None:
        """Drop every line and end every task."""
        self.off()
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    @property
    def station_address(self) -> Address:
        """Where the JSON face listens."""
        return self._addresses[0]

    @property
    def printer_address(self) -> Address:
        """Where the printer face listens."""
        return self._addresses[1]

    def off(self) -> None:
        """Switch it off: lines are reset, connections refused. What was printed stays."""
        for sock in self._sockets:
            asyncio.get_running_loop().remove_reader(sock)
            sock.close()
        self._sockets = []
        for line in list(self._lines):
            line.abort()
        self._queue.clear()

    def on(self) -> None:
        """Switch it on again at the same addresses."""
        if self._sockets:
            return
        for index, serve in enumerate((self.serve_station, self.serve_printer)):
            sock = _listen(self._addresses[index], self._receive_buffer)
            self._sockets.append(sock)
            self._addresses[index] = sock.getsockname()[:2]
            asyncio.get_running_loop().add_reader(sock, self._accept, sock, serve)

    async def serve_station(self, line: Line) -> None:
        """Speak the JSON face on this line until it ends."""
        await self._serve(line, StationFace(self, line).serve())

    async def serve_printer(self, line: Line) -> None:
        """Speak the printer face on this line until it ends."""
        await self._serve(line, PrinterFace(self, line).serve())

    # Hands

    def inject(self, fault: Fault) -> None:
        """Make something go wrong; see `adapters.simulator.faults`."""
        self.script.add(fault)
        self._reads_as_scripted()

    def heal(self) -> None:
        """End every fault, shown ones too."""
        self.script.heal()
        self.shown_faults.clear()
        self._reads_as_scripted()
        self._wake.set()

    def row(self) -> tuple[Bag | None, ...]:
        """The bags from the loading place (0) to the printing place; blank ones are `None`."""
        return tuple(self.cycle.row)

    def seal(self) -> None:
        """Load and seal the bag at the loading place; it leaves."""
        self._tell(self.cycle.seal())
        self._wake.set()

    def advance(self, steps: int = 1) -> None:
        """Move the row on without printing; a bag at the loading place is sealed first."""
        for _ in range(steps):
            self._tell(self.cycle.advance())
        self._wake.set()

    def pull(self, position: int = 0, *, seen: bool = True) -> None:
        """Take a bag out of the row; `seen` says whether the machine notices and reports it."""
        signals = self.cycle.pull(position)
        self._tell(signals if seen else [])
        self._wake.set()

    def swap(self, first: int, second: int) -> None:
        """Two bags change places unseen."""
        self.cycle.swap(first, second)

    def wrong_label(self, position: int, *codes: str) -> None:
        """Stick a foreign label on a bag, unseen."""
        self.cycle.relabel(position, codes)

    def scan(self, code: str) -> None:
        """The station's own scanner reads a code."""
        self.report(Signal(kind=SignalKind.SCAN, code=code))

    def report(self, signal: Signal) -> None:
        """Report anything."""
        self._tell([signal])

    def hold(self, reason: str = "") -> None:
        """Make no further bag."""
        self.cycle.state = MachineState.HELD
        self._tell([Signal(kind=SignalKind.STATE, state=MachineState.HELD, detail=reason)])

    def release(self) -> None:
        """Go on."""
        self.cycle.state = MachineState.IDLE
        self._tell([Signal(kind=SignalKind.STATE, state=MachineState.IDLE)])
        self._wake.set()

    # What is known

    @property
    def printed_count(self) -> int:
        """Labels printed since it was made."""
        return len(self.cycle.printed)

    @property
    def printed_job_ids(self) -> tuple[str, ...]:
        """Job of each printed label in order; empty for labels from the printer face."""
        return tuple(bag.job_id for bag in self.cycle.printed)

    @property
    def printed_codes(self) -> tuple[tuple[str, ...], ...]:
        """Codes of each printed label in order."""
        return tuple(bag.codes for bag in self.cycle.printed)

    @property
    def waiting(self) -> int:
        """Labels received and not printed."""
        return len(self._queue)

    @property
    def open_lines(self) -> int:
        """Lines that are being served."""
        return len(self._lines)

    def fate(self, job_id: str) -> Fate:
        """What became of a job."""
        if job_id in self.cycle.remembers:
            return Fate.PRINTED
        waits = any(one.job_id == job_id for one in self._queue)
        return Fate.WAITING if waits else Fate.UNKNOWN_JOB

    def condition(self) -> StationCondition:
        """State and complaints."""
        held = self.cycle.state is MachineState.HELD
        return StationCondition(
            state=self.cycle.state,
            ready=not held and not self.shown_faults,
            faults=tuple(sorted(self.shown_faults)),
            labels_printed=self.printed_count,
        )

    # For the faces

    def queue_label(
        self,
        label: Label,
        job_id: str,
        printed: Callable[[Bag], None],
        times: int,
        size_mm: tuple[float, float] | None = None,
    ) -> None:
        """Print a label when its turn comes, on a bag of this size where it is told one."""
        self.label_came(label)
        self._queue.append(_Waiting(label, job_id, printed, times, size_mm))
        self._wake.set()

    async def reading(self) -> None:
        """Wait until the script lets it read."""
        await self._reads.wait()

    async def pace(self) -> None:
        """Wait as long as a slow station does."""
        slow = self.script.lasting(FaultKind.SLOW)
        if slow is not None:
            await asyncio.sleep(slow.seconds)

    def bite(self, small: int) -> int:
        """How many bytes to read at once."""
        if self.script.coming(FaultKind.CUT):
            return max(1, min(small, self.script.cut_at))
        return 64 if self.script.lasting(FaultKind.SLOW) else 65536

    # For whoever watches it: a subclass says what it does then

    def label_came(self, label: Label) -> None:
        """A whole label is there and waits its turn."""

    def bag_came_out(self) -> None:
        """The label whose turn it was is printed."""

    # Inside

    async def _work(self) -> None:
        while True:
            while self._queue and self._may_print():
                await asyncio.sleep(self._print_s)
                if self._queue and self._may_print():
                    self._print(self._queue.popleft())
            await self._wake.wait()
            self._wake.clear()

    def _may_print(self) -> bool:
        if self.shown_faults or self.cycle.state is MachineState.HELD:
            return False
        return self._auto_advance or self.cycle.can_print()

    def _print(self, waiting: _Waiting) -> None:
        for _ in range(waiting.times):
            self._tell(self.cycle.print_bag(waiting.label, waiting.job_id, waiting.size_mm))
        self.bag_came_out()
        waiting.printed(self.cycle.printed[-1])

    def _tell(self, signals: list[Signal]) -> None:
        for listener in self.listeners:
            for signal in signals:
                listener.report(signal)

    def _reads_as_scripted(self) -> None:
        if self.script.lasting(FaultKind.SILENT):
            self._reads.clear()
        else:
            self._reads.set()

    def _accept(
        self, listener: socket.socket, serve: Callable[[Line], Coroutine[None, None, None]]
    ) -> None:
        try:
            sock, _ = listener.accept()
        except (BlockingIOError, ConnectionAbortedError):
            return
        line = TcpLine(sock)
        # Known from now on: a task that is cancelled before it began would never let go of it.
        self._lines.add(line)
        self._begin(serve(line), "simulated line")

    async def _serve(self, line: Line, talk: Coroutine[None, None, None]) -> None:
        self._lines.add(line)
        try:
            await talk
        finally:
            self._lines.discard(line)
            line.abort()

    def _begin(self, work: Coroutine[None, None, None], name: str) -> None:
        task = asyncio.create_task(work, name=f"{name} {self.name}")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)


def _listen(address: Address, receive_buffer: int | None) -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    if receive_buffer is not None:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer)
    sock.setblocking(False)
    sock.bind(address)
    sock.listen(16)
    return sock
