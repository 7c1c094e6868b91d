"""A station that takes its labels from a folder and leaves receipts: for old systems.

    SPOOL/out/NUMBER-KEY.zpl            a label, complete from the moment that it has this name
    SPOOL/receipts/NUMBER-KEY.printed   it came out         (an empty file)
    SPOOL/receipts/NUMBER-KEY.refused   it will not print   (the reason as text)
The station takes the files of `out` in the order of their names and removes each as it takes it.
KEY is made from the job id. Delete old receipts by hand or by cron; nothing here does.
"""

import asyncio
import contextlib
import hashlib
import os
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import ClassVar, Self, TypeVar

from adapters.awake import Awake
from adapters.contract import Claims, LineSettings
from adapters.errors import Misconfigured, NothingSent, Refused
from adapters.options import Options
from adapters.why_lost import why_lost
from schemas.station import (
    Fate,
    MachineState,
    Receipt,
    ReceiptStage,
    Retry,
    Signal,
    StationCondition,
    StationOrder,
)

_T = TypeVar("_T")
_LOOK_EVERY_S = 0.02


class Folder:
    """A label is taken or it is not: one that nobody takes in time is withdrawn again."""

    claims: ClassVar[Claims] = Claims(
        knows=frozenset({ReceiptStage.ACCEPTED, ReceiptStage.PRINTED}),
        can_be_asked=True,
        deliver_within_s=60.0,
        # a share is mounted again in half a minute rather than in a second
        retry=Retry(first_wait_s=1.0, longest_wait_s=30.0, breaker_open_s=15.0),
    )

    def __init__(self, station: str, spool: Path, *, take_s: float, print_s: float) -> None:
        self.station = station
        self._out, self._receipts = spool / "out", spool / "receipts"
        self._take_s, self._print_s = take_s, print_s
        self._closed = asyncio.Event()

    @classmethod
    def from_settings(cls, settings: LineSettings) -> Self:
        """Options: spool (a folder), take_s, print_s."""
        options = Options(settings)
        spool = Path(options.text("spool"))
        if not spool.is_absolute():
            raise options.wrong("spool", f"{spool} is no absolute path")
        adapter = cls(
            settings.station,
            spool,
            take_s=options.seconds("take_s", 10.0),
            print_s=options.seconds("print_s", 10.0),
        )
        options.finish()
        return adapter

    async def open(self) -> None:
        """Both folders must be there: a share that is not mounted is `NothingSent`."""
        await self._in_thread(self._check)
        self._closed.clear()

    async def close(self) -> None:
        """Nothing is held open."""
        self._closed.set()

    async def deliver(self, order: StationOrder) -> Receipt:
        """Lay the label into the folder, see it taken, then wait for its receipt."""
        awake = Awake()
        laying = asyncio.ensure_future(self._in_thread(lambda: self._lay(order, awake)))
        try:
            file = await asyncio.shield(laying)
        except asyncio.CancelledError:
            # The thread goes on: wait for its file and take it back.
            with contextlib.suppress(NothingSent, Misconfigured):
                file = await laying
                await self._in_thread(lambda: _withdraw(file))
            raise
        try:
            return await self._follow(order, file)
        except asyncio.CancelledError:
            await self._in_thread(lambda: _withdraw(file))
            raise

    async def state(self) -> StationCondition:
        """A folder knows nothing of the machine."""
        await self._in_thread(self._check)
        return StationCondition(state=MachineState.UNKNOWN)

    async def fate(self, job_id: str) -> Fate:
        """From receipt and folder; a label that was taken and has no receipt can't be told."""
        return await self._in_thread(lambda: self._fate(job_id))

    async def signals(self) -> AsyncIterator[Signal]:
        """A folder reports nothing by itself."""
        await self._closed.wait()
        nothing: tuple[Signal, ...] = ()
        for signal in nothing:
            yield signal

    async def _follow(self, order: StationOrder, file: Path) -> Receipt:
        taken = await self._until(self._take_s, lambda: not file.exists())
        if not taken and await self._in_thread(lambda: _withdraw(file)):
            raise NothingSent(
                f"station {self.station} took no label within {self._take_s:g} s",
                do="Look whether its spooler runs.",
            )
        printed = self._receipts / f"{file.stem}.printed"
        refused = self._receipts / f"{file.stem}.refused"
        await self._until(self._print_s, lambda: printed.exists() or refused.exists())
        if await self._in_thread(refused.exists):
            reason = await self._in_thread(lambda: refused.read_text("utf-8", "replace")[:100])
            raise Refused(f"station {self.station} refused the label: {reason.strip()}")
        came_out = await self._in_thread(printed.exists)
        return Receipt(
            job_id=order.job_id,
            stage=ReceiptStage.PRINTED if came_out else ReceiptStage.ACCEPTED,
            bytes_sent=len(order.label),
            device_job=file.stem,
        )

    async def _until(self, within_s: float, holds: Callable[[], bool]) -> bool:
        # Polled: a network share reports no changes.
        loop = asyncio.get_running_loop()
        end = loop.time() + within_s
        while not await self._in_thread(holds):
            if loop.time() > end:
                return False
            await asyncio.sleep(_LOOK_EVERY_S)
        return True

    async def _in_thread(self, work: Callable[[], _T]) -> _T:
        try:
            return await asyncio.to_thread(work)
        except PermissionError as denied:
            raise Misconfigured(
                f"station {self.station}: {_at(denied)}",
                do="Give the gateway the right to write there.",
            ) from denied
        except OSError as fault:
            raise NothingSent(
                f"station {self.station}: {_at(fault)}",
                do="Look whether the share is mounted and full.",
            ) from fault

    def _check(self) -> None:
        for folder in (self._out, self._receipts):
            if not folder.is_dir():
                raise FileNotFoundError(f"{folder} is not there")

    def _lay(self, order: StationOrder, awake: Awake) -> Path:
        self._check()
        names = [path.stem for folder in (self._out, self._receipts) for path in folder.iterdir()]
        last = max((int(n[:12]) for n in names if n[:12].isdigit()), default=0)
        file = self._out / f"{last + 1:012d}-{_key(order.job_id)}.{order.language.value}"
        hidden = self._out / f".{file.name}"
        try:
            with hidden.open("wb") as writing:
                writing.write(order.label)
                writing.flush()
                os.fsync(writing.fileno())
        except OSError:
            hidden.unlink(missing_ok=True)
            raise
        if not awake.still():
            hidden.unlink(missing_ok=True)
            raise NothingSent(f"station {self.station}: this machine slept before it sent")
        hidden.replace(file)
        _make_durable(self._out)
        return file

    def _fate(self, job_id: str) -> Fate:
        self._check()
        key = _key(job_id)
        if any(self._receipts.glob(f"*-{key}.printed")):
            return Fate.PRINTED
        if any(self._out.glob(f"[0-9]*-{key}.*")):
            return Fate.WAITING
        return Fate.CANNOT_TELL


def _key(job_id: str) -> str:
    return hashlib.sha256(job_id.encode()).hexdigest()[:16]


def _withdraw(file: Path) -> bool:
    """Take a label back; false when the station was quicker."""
    withdrawn = file.with_name(f".{file.name}.withdrawn")
    try:
        file.rename(withdrawn)
    except FileNotFoundError:
        return False
    withdrawn.unlink()
    return True


def _make_durable(folder: Path) -> None:
    # A name is on the disk only when its folder is (POSIX leaves that to fsync of the folder).
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _at(fault: OSError) -> str:
    return f"{fault.filename}: {why_lost(fault)}" if fault.filename else str(fault)
