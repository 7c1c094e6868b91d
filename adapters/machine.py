"""A bag machine that is told by named values: length, seal, job number, and then a trigger.

Modbus and OPC UA differ only in how a value is read and written. Nothing here is a safety
function: the trigger is one permission among others, the machine's own controller decides
whether anything moves, and no fault is ever cleared from here.
"""

import asyncio
import hashlib
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import replace
from typing import ClassVar

from adapters.awake import Awake
from adapters.contract import Claims
from adapters.errors import FateUnknown, Misconfigured, NeedsPerson, NothingSent, Refused
from adapters.machine_reports import REPORTED, MachineReports, Value, kinds_of
from schemas.station import (
    Fate,
    MachineState,
    Receipt,
    ReceiptStage,
    Retry,
    Signal,
    SignalKind,
    StationCondition,
    StationOrder,
)

DEMANDED = ("length_mm", "job", "trigger", "done_job", "state")
"""Values that every machine must have."""
OPTIONAL = ("width_mm", "slot", "seal", "job_text")
"""Values that are written with each job where the site file names them."""
_PASS_BY = ("pass_by", "pass_code")
"""Set to 1 when the goods at the infeed are to pass unpacked, after their code; the machine clears
it. Written where the site file names it."""
NAMES = (*DEMANDED, *OPTIONAL, *_PASS_BY, *REPORTED)
"""Every value that may be named."""

STATES = {
    1: MachineState.ABORTED,
    2: MachineState.STOPPED,
    3: MachineState.EXECUTE,
    4: MachineState.IDLE,
    5: MachineState.SUSPENDED,
    6: MachineState.EXECUTE,
    7: MachineState.STOPPED,
    8: MachineState.ABORTED,
    9: MachineState.ABORTED,
    10: MachineState.HELD,
    11: MachineState.HELD,
    12: MachineState.HELD,
    13: MachineState.SUSPENDED,
    14: MachineState.SUSPENDED,
    15: MachineState.STOPPED,
    16: MachineState.COMPLETE,
    17: MachineState.COMPLETE,
}
"""State numbers of ISA-TR88.00.02, as its OPC UA model (OPC 30050) gives them: acting states are
shown as the wait state that a person at the machine would call them by."""

_TAKES_A_JOB = {MachineState.IDLE, MachineState.EXECUTE, MachineState.COMPLETE}
_NEEDS_PERSON = {MachineState.STOPPED, MachineState.HELD, MachineState.ABORTED}
_LOOK_EVERY_S = 0.02
_ORDER = list(SignalKind)


class Unreached(Exception):
    """The machine can't be reached: the value was not read or written."""


class Unanswered(Exception):
    """The value may have been written."""


class Rejected(Exception):
    """The machine answered no; `wrong_place` says that it has no such value at all."""

    def __init__(self, why: str, *, wrong_place: bool) -> None:
        super().__init__(why)
        self.wrong_place = wrong_place


_ALWAYS = frozenset({SignalKind.SEALED.value, SignalKind.STATE.value})


class Machine(ABC):
    """Values are written and read back first (`prepare`); only then is it triggered (`arm`)."""

    claims: ClassVar[Claims] = Claims(
        knows=frozenset({ReceiptStage.ACCEPTED, ReceiptStage.SEALED}),
        can_be_asked=True,
        reports=_ALWAYS | kinds_of(frozenset(REPORTED)),
        makes_bags=True,
        passes_by=True,
        deliver_within_s=30.0,
        state_within_s=6.0,
        # a controller that starts anew takes seconds, and often one client at a time
        retry=Retry(first_wait_s=0.5, longest_wait_s=15.0, breaker_open_s=10.0),
    )

    def __init__(
        self,
        station: str,
        names: frozenset[str],
        *,
        make_s: float,
        watch_s: float,
        arm_after: ReceiptStage,
    ) -> None:
        self.station = station
        self._names = names
        self._reports = MachineReports(names)
        # What a machine can do is decided by the values that its site file names.
        self.claims = replace(  # type: ignore[misc]
            self.claims, reports=_ALWAYS | kinds_of(names), passes_by="pass_by" in names
        )
        self.arm_after = arm_after
        """In a composed station: what must be known of the label before the machine is armed."""
        self._make_s, self._watch_s = make_s, watch_s
        self._awake = Awake()
        self._numbers: dict[int, str] = {}
        self._seen: tuple[MachineState | None, int] = (None, 0)
        self._closed = asyncio.Event()
        self._connecting = asyncio.Lock()

    @abstractmethod
    async def read(self, name: str) -> Value:
        """Read one value. Raises `Unreached` or `Rejected`."""

    @abstractmethod
    async def write(self, name: str, value: Value) -> None:
        """Write one value. Raises `Unreached`, `Unanswered`, `Rejected`, or `Misconfigured`."""

    @abstractmethod
    async def connect(self) -> None:
        """Make the line usable. Raises `NothingSent` or `Misconfigured`."""

    @abstractmethod
    async def disconnect(self) -> None:
        """Let go of the line."""

    async def open(self) -> None:
        """Connect unless there is a living line."""
        async with self._connecting:
            await self.connect()
            self._closed.clear()
            if self._seen[0] is None:
                self._seen = await self._glance()
                with suppress(Unreached, Rejected, ValueError):
                    await self._reports.begin(self.read)

    async def close(self) -> None:
        """Let go of the line; `signals` ends."""
        self._closed.set()
        self._seen = (None, 0)
        self._reports.forget()
        async with self._connecting:
            await self.disconnect()

    async def deliver(self, order: StationOrder) -> Receipt:
        """Prepare and arm: for a machine whose label comes some other way."""
        await self.prepare(order)
        return await self.arm(order)

    async def prepare(self, order: StationOrder) -> None:
        """Write this bag's values and read each back. Nothing moves of it."""
        self._awake = Awake()
        await self.open()
        condition = await self.state()
        if condition.state in _NEEDS_PERSON:
            raise NeedsPerson(
                f"station {self.station}: the machine is {condition.state.value}",
                do="Put it right at the machine and start it there.",
            )
        if condition.state not in _TAKES_A_JOB:
            raise NothingSent(f"station {self.station}: the machine is {condition.state.value}")
        wanted = self._wanted(order)
        try:
            for name, value in wanted.items():
                await self.write(name, value)
            for name, value in wanted.items():
                held = await self.read(name)
                if not _same(held, value):
                    raise Misconfigured(
                        f"station {self.station}: {name} was written as {value} and reads {held}",
                        do="Check its place, type, scale and word order in the site file.",
                    )
        except Rejected as no:
            raise self._no(no) from no
        except (Unreached, Unanswered) as lost:
            # Not triggered: whatever was written makes no bag.
            raise NothingSent(f"station {self.station}: {lost}") from lost

    async def arm(self, order: StationOrder) -> Receipt:
        """Trigger the prepared bag once; `SEALED` when the machine says in time that it is done."""
        if not self._awake.still():
            raise NothingSent(f"station {self.station}: this machine slept before the trigger")
        self._numbers = {job_number(order.job_id): order.job_id}
        try:
            await self.write("trigger", 1)
        except Unreached as lost:
            raise NothingSent(f"station {self.station}: {lost}") from lost
        except Rejected as no:
            if no.wrong_place:
                raise self._no(no) from no
            raise Refused(f"station {self.station} refused the trigger: {no}") from no
        except Unanswered as lost:
            raise FateUnknown(
                f"station {self.station}: {lost}", do="Look at the bag.", bytes_sent=2
            ) from lost
        done = await self._done(job_number(order.job_id))
        return Receipt(
            job_id=order.job_id,
            stage=ReceiptStage.SEALED if done else ReceiptStage.ACCEPTED,
            device_job=str(job_number(order.job_id)),
        )

    async def state(self) -> StationCondition:
        """The machine's state by its number."""
        await self.open()
        try:
            number = int(await self.read("state"))
        except Rejected as no:
            raise self._no(no) from no
        except Unreached as lost:
            raise NothingSent(f"station {self.station}: {lost}") from lost
        except ValueError:
            return StationCondition(state=MachineState.UNKNOWN)
        state = STATES.get(number, MachineState.UNKNOWN)
        if state is MachineState.UNKNOWN:
            return StationCondition(state=state)
        return StationCondition(state=state, ready=state in _TAKES_A_JOB)

    async def fate(self, job_id: str) -> Fate:
        """From the job numbers that the machine holds; it knows the last one only."""
        await self.open()
        number = job_number(job_id)
        try:
            done, last = await self.read("done_job"), await self.read("job")
            triggered, state = await self.read("trigger"), await self.read("state")
        except (Unreached, Rejected) as lost:
            raise NothingSent(f"station {self.station}: {lost}") from lost
        if done == number:
            return Fate.PRINTED
        if last != number:
            return Fate.UNKNOWN_JOB
        if triggered:
            return Fate.WAITING
        # A machine in production runs all the time: that says nothing of this bag.
        runs = STATES.get(int(state)) is MachineState.EXECUTE
        return Fate.CANNOT_TELL if runs else Fate.UNKNOWN_JOB

    async def pass_by(self, code: str, reason: str) -> None:
        """Tell the machine that these goods are not for it; why is of no use to it."""
        del reason
        await self.open()
        try:
            if "pass_code" in self._names:
                await self.write("pass_code", code)
            await self.write("pass_by", 1)
        except (Unreached, Unanswered, Rejected, KeyError) as lost:
            raise NothingSent(f"station {self.station}: pass_by: {lost}") from lost

    async def signals(self) -> AsyncIterator[Signal]:
        """What changed since `open` in the values that are looked for again and again."""
        while not self._closed.is_set():
            told = await self._told()
            for signal in sorted(told, key=lambda one: _ORDER.index(one.kind)):
                yield signal
            if told and told[-1].state is MachineState.OFFLINE:
                return
            with suppress(TimeoutError):
                async with asyncio.timeout(self._watch_s):
                    await self._closed.wait()

    async def _told(self) -> list[Signal]:
        """The changes, as they are found; last "offline" where the machine can't be reached."""
        told: list[Signal] = []
        state, done = await self._glance()
        if state is not None:
            (was, last), self._seen = self._seen, (state, done)
            if done not in {last, 0}:
                told.append(Signal(kind=SignalKind.SEALED, job_id=self._numbers.get(done)))
            if state is not was:
                told.append(Signal(kind=SignalKind.STATE, state=state))
            try:
                return [*(await self._reports.since(self.read, state)), *told]
            except (Unreached, Rejected, ValueError):
                pass
        return [*told, Signal(kind=SignalKind.STATE, state=MachineState.OFFLINE)]

    async def _glance(self) -> tuple[MachineState | None, int]:
        try:
            state, done = await self.read("state"), await self.read("done_job")
            return STATES.get(int(state), MachineState.UNKNOWN), int(done)
        except (Unreached, Rejected, ValueError):
            return None, 0

    def _wanted(self, order: StationOrder) -> dict[str, Value]:
        values: dict[str, Value] = {
            "length_mm": order.length_mm,
            "width_mm": order.width_mm,
            "slot": order.slot,
            "seal": int(order.seal),
            "job": job_number(order.job_id),
            "job_text": order.job_id,
        }
        return {name: value for name, value in values.items() if name in self._names}

    def _no(self, no: Rejected) -> Misconfigured | NothingSent:
        where = f"station {self.station}: {no}"
        if no.wrong_place:
            return Misconfigured(where, do="Check the value's place in the site file.")
        return NothingSent(where)

    async def _done(self, number: int) -> bool:
        # Triggered: whatever goes wrong from here on, the machine took the job.
        try:
            async with asyncio.timeout(self._make_s):
                done = await self.read("done_job")
                while done != number:
                    await asyncio.sleep(_LOOK_EVERY_S)
                    done = await self.read("done_job")
        except (TimeoutError, Unreached, Rejected):
            return False
        return True


def job_number(job_id: str) -> int:
    """The job's number at the machine: 1 to 2^31 - 1, made from its id."""
    digest = hashlib.sha256(job_id.encode()).digest()
    return int.from_bytes(digest[:4], "big") % (2**31 - 1) + 1


def _same(held: Value, written: Value) -> bool:
    if isinstance(held, str) or isinstance(written, str):
        return held == written
    # Fixed-point registers round: a tenth of a millimetre is finer than any bag machine cuts.
    return abs(held - written) <= 0.051
