"""A barcode scanner as a way in: over a TCP port of ours, or on a serial line.

A scanner sends and forgets, so what was read is kept here and tried until the intake has it. When
too much waits nothing more is read, which a scanner on TCP feels.
"""

import asyncio
import contextlib
import random
import socket
from ipaddress import ip_address, ip_network
from typing import Protocol

import orjson
import structlog

from gateway.clock import Clock
from gateway.dispatch.verify import clean_code
from gateway.errors import GatewayError, NotStored
from gateway.intake.accept import Intake
from gateway.intake.envelope import STRUCTURED, read_structured
from gateway.intake.scan_codes import CodeSplitter
from gateway.queues import letters
from gateway.queues.decide import Next, decide, wait_s
from gateway.queues.handle import Handled, handle, refusal
from gateway.queues.letters import Letter
from gateway.store.store import Store
from schemas.events import EventType
from schemas.problem import ProblemType
from schemas.queues import ScanMeaning, Scanner, WayIn

log = structlog.get_logger(__name__)

CODE_WITHIN_S = 5.0
FINISH_WITHIN_S = 3.0
MOST_WAITING = 200
_ACK, _NAK = b"\x06", b"\x15"
_PIECE = 4096


class _Line(Protocol):
    def write(self, data: bytes) -> None: ...
    def close(self) -> None: ...


class ScannerIn:
    """One scanner of the site file."""

    def __init__(
        self, settings: Scanner, intake: Intake, store: Store, clock: Clock, run_id: str
    ) -> None:
        self._settings = settings
        self._intake = intake
        self._store = store
        self._clock = clock
        self._run_id = run_id
        self._read: asyncio.Queue[tuple[bytes, _Line]] = asyncio.Queue(MOST_WAITING)
        self._server: asyncio.Server | None = None
        self._tasks: list[asyncio.Task[None]] = []
        self._open: set[asyncio.Task[None]] = set()
        self._lines = 0
        self._codes = 0
        self._taken = 0
        self._refused = 0
        self._busy = False
        self._text = ""

    @property
    def port(self) -> int:
        """The port that it listens on; 0 where it doesn't."""
        return self._server.sockets[0].getsockname()[1] if self._server else 0

    def view(self) -> WayIn:
        """How it is doing."""
        return WayIn(
            way=f"scanner {self._settings.id}",
            connected=bool(self._open),
            in_hand=self._read.qsize() + self._busy,
            taken=self._taken,
            refused=self._refused,
            reconnects=max(0, self._lines - 1),
            text=self._text,
        )

    async def start(self) -> None:
        """Listen. Raises `OSError` where the port is taken."""
        if self._settings.port is not None:
            self._server = await asyncio.start_server(
                self._connected, self._settings.host, self._settings.port
            )
        else:
            self._tasks.append(asyncio.create_task(self._serial(), name="scanner line"))
        self._tasks.append(asyncio.create_task(self._work(), name="scanner"))

    async def stop(self) -> None:
        """Read nothing more, finish what was read; what can't be finished becomes dead letters."""
        if self._server is not None:
            self._server.close()
        for task in self._open:
            task.cancel()
        await asyncio.gather(*self._open, return_exceptions=True)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(FINISH_WITHIN_S):
                await self._read.join()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._tasks = []
        while not self._read.empty():
            body, _ = self._read.get_nowait()
            await self._keep(body, "the gateway stopped before it could take this scan")

    # Reading

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peer = str((writer.get_extra_info("peername") or ("",))[0])
        task = asyncio.current_task()
        assert task is not None
        if len(self._open) >= self._settings.max_connections or not self._may_connect(peer):
            log.warning("scanner.turned_away", scanner=self._settings.id, peer=peer)
            writer.close()
            return
        self._open.add(task)
        _notice_dead_peers(writer)
        try:
            await self._read_codes(reader, writer, close_when_idle=True)
        except (OSError, asyncio.CancelledError):
            pass  # the scanner went, or we stop: whole codes are kept already
        finally:
            self._open.discard(task)
            writer.close()

    def _may_connect(self, peer: str) -> bool:
        networks = self._settings.from_networks
        return not networks or any(ip_address(peer) in ip_network(net) for net in networks)

    async def _serial(self) -> None:
        from serialx import open_serial_connection

        attempt = 0
        while True:
            attempt += 1
            try:
                reader, writer = await open_serial_connection(
                    self._settings.device, baudrate=self._settings.baud
                )
                attempt, self._text = 0, ""
                try:
                    await self._read_codes(reader, writer, close_when_idle=False)
                finally:
                    writer.close()
                self._text = "the serial line ended"
            except OSError as error:
                self._text = f"{self._settings.device}: {error}"
                log.warning("scanner.away", scanner=self._settings.id, text=self._text)
            await asyncio.sleep(wait_s(attempt + 1, random.random()))  # noqa: S311, TID251

    async def _read_codes(
        self, reader: asyncio.StreamReader, line: _Line, *, close_when_idle: bool
    ) -> None:
        self._lines += 1
        connection, splitter, begun = self._lines, CodeSplitter(), self._clock.monotonic()
        while True:
            waiting = splitter.unfinished
            quiet_s = CODE_WITHIN_S if waiting or not close_when_idle else self._settings.idle_s
            left = quiet_s - (self._clock.monotonic() - begun) if waiting else quiet_s
            try:
                async with asyncio.timeout(max(0.0, left)):
                    piece = await reader.read(_PIECE)
            except TimeoutError:
                if close_when_idle:
                    return
                splitter.drop()
                continue
            if not piece:
                return
            if not waiting:
                begun = self._clock.monotonic()
            too_long = splitter.overlong
            for code in splitter.feed(piece):
                begun = self._clock.monotonic()
                if (body := self._event(code, connection)) is not None:
                    await self._read.put((body, line))
            if splitter.overlong > too_long:
                log.warning("scanner.overlong", scanner=self._settings.id)

    def _event(self, code: str, connection: int) -> bytes | None:
        """The scan as an event; nothing where it says nothing."""
        settings = self._settings
        self._codes += 1
        data: dict[str, str | None] = {"station": settings.station}
        no_read = settings.no_read is not None and code == settings.no_read
        if settings.meaning is ScanMeaning.VERIFY:
            type_ = EventType.LABEL_SCANNED
            data["code"] = None if no_read else code
        elif no_read or not clean_code(code):
            return None
        else:
            type_ = EventType.ORDER_SCANNED
            data["code"] = clean_code(code)
        return orjson.dumps(
            {
                "specversion": "1.0",
                "id": f"{self._run_id}-{connection}-{self._codes}",
                "source": f"/scanners/{settings.id}",
                "type": type_.value,
                "data": data,
            }
        )

    # Taking

    async def _work(self) -> None:
        while True:
            body, line = await self._read.get()
            self._busy = True
            try:
                await self._settle(body, line)
            finally:
                self._busy = False
                self._read.task_done()

    async def _settle(self, body: bytes, line: _Line) -> None:
        tries = 0
        try:
            while True:
                tries += 1
                handled = await self._try(body)
                following = decide(tries, handled.outcome)
                if following is Next.DEAD:
                    with contextlib.suppress(NotStored):
                        await self._keep(body, handled.reason, handled.problem)
                        self._refused += 1
                        return self._answer(line, _NAK)
                if following is Next.ACKNOWLEDGE:
                    self._taken += 1
                    self._text = ""
                    return self._answer(line, _ACK)
                self._text = handled.reason
                await asyncio.sleep(wait_s(tries, random.random()))  # noqa: S311, TID251
        except asyncio.CancelledError:
            await self._keep(body, "the gateway stopped before it could take this scan")
            raise

    async def _try(self, body: bytes) -> Handled:
        try:
            incoming = read_structured(body)
        except GatewayError as wrong:
            return refusal(wrong)
        return await handle(self._intake, incoming, f"scanner {self._settings.id}")

    async def _keep(
        self, body: bytes, reason: str, problem: str = ProblemType.UNAVAILABLE.value
    ) -> None:
        event = orjson.loads(body)
        letter = Letter(
            way=f"scanner {self._settings.id}",
            body=body,
            headers={"content-type": STRUCTURED},
            problem=problem,
            reason=reason,
            source=event["source"],
            event_id=event["id"],
        )
        try:
            await self._store.write(lambda work: letters.keep(work, letter))
        except NotStored:
            log.exception("scanner.lost", scanner=self._settings.id, event_id=event["id"])
            raise
        log.warning("scanner.dead", scanner=self._settings.id, reason=reason)

    def _answer(self, line: _Line, sign: bytes) -> None:
        if self._settings.acknowledge:
            with contextlib.suppress(OSError, RuntimeError):
                line.write(sign)


def _notice_dead_peers(writer: asyncio.StreamWriter) -> None:
    """A scanner that lost its power says no goodbye, and would hold its place."""
    connection: socket.socket | None = writer.get_extra_info("socket")
    if connection is None:
        return
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (("TCP_KEEPIDLE", 30), ("TCP_KEEPINTVL", 10), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, option):
            connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
