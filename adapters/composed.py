"""A station of several lines as one: a printer and a machine, perhaps a scanner."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from typing import ClassVar

from adapters.contract import (
    AsksFate,
    Claims,
    CountsLabels,
    Holds,
    PassesBy,
    StationAdapter,
    TakesReports,
)
from adapters.errors import FateUnknown, Misconfigured, NothingSent, Refused, StationFault
from adapters.machine import Machine
from schemas.station import (
    Fate,
    MachineState,
    Receipt,
    ReceiptStage,
    Retry,
    Role,
    Signal,
    StationCondition,
    StationOrder,
)

_Heard = asyncio.Queue[tuple[Signal, asyncio.Event] | None]
_STAGES = list(ReceiptStage)
"""In the order in which a label gets there."""


class Composed:
    """The machine is prepared first, then the label is printed, then the machine is armed.

    It is armed only when the label is known to be good. A label that is out and a machine that
    was not armed is never "nothing sent": a repeat would print a second label.
    """

    claims: ClassVar[Claims] = Claims()

    def __init__(self, parts: Mapping[Role, StationAdapter]) -> None:
        self._parts = dict(parts)
        printer = self._parts.get(Role.WHOLE) or self._parts.get(Role.PRINTER)
        if printer is None:
            raise Misconfigured("no line of the station prints")
        self._printer = printer
        machine = self._parts.get(Role.MACHINE)
        if machine is not None and not isinstance(machine, Machine):
            raise Misconfigured(
                f"{type(machine).__name__} can't be armed apart from its label",
                do="Give the line the role whole, or use a kind for machines.",
            )
        self._machine = machine
        if machine is not None and machine.arm_after not in printer.claims.knows:
            raise Misconfigured(
                f"the machine is armed when its label is {machine.arm_after.value}, and "
                f"{type(printer).__name__} can't know that",
                do='Use a printer kind that counts its labels, or set arm_after = "sent".',
            )
        # What a composed station knows is decided by its parts, so the value is the instance's.
        self.claims = claims_of(parts)  # type: ignore[misc]

    async def open(self) -> None:
        """Open every line."""
        for part in self._parts.values():
            await part.open()

    async def close(self) -> None:
        """Close every line."""
        for part in self._parts.values():
            await part.close()

    async def deliver(self, order: StationOrder) -> Receipt:
        """Prepare, print, arm."""
        if self._machine is None:
            return await self._printer.deliver(order)
        await self._machine.prepare(order)
        printed = await self._printer.deliver(order)
        if _STAGES.index(printed.stage) < _STAGES.index(self._machine.arm_after):
            raise self._label_only(order, printed, "the printer did not confirm the label")
        try:
            made = await self._machine.arm(order)
        except StationFault as fault:
            raise self._label_only(order, printed, fault.what) from fault
        return made.model_copy(update={"bytes_sent": printed.bytes_sent})

    async def state(self) -> StationCondition:
        """All lines as one: not ready when one is not, known when all are."""
        found = [await part.state() for part in self._acting()]
        faults = tuple(fault for one in found for fault in one.faults)
        ready: bool | None = None
        if any(one.ready is False for one in found):
            ready = False
        elif all(one.ready for one in found):
            ready = True
        last = found[-1]
        known = last.state is not MachineState.UNKNOWN
        return StationCondition(
            state=last.state if known else found[0].state,
            ready=ready,
            faults=faults,
            labels_left=found[0].labels_left,
            labels_printed=found[0].labels_printed,
        )

    async def fate(self, job_id: str) -> Fate:
        """The machine's word where it has one: it was armed only after a good label.

        A bag that was not made may still have its label out; then only the printer could tell.
        """
        if self._machine is not None:
            made = await self._machine.fate(job_id)
            if made is not Fate.UNKNOWN_JOB:
                return made
        if not isinstance(self._printer, AsksFate):
            return Fate.CANNOT_TELL
        printed = await self._printer.fate(job_id)
        if self._machine is None or printed is Fate.UNKNOWN_JOB:
            return printed
        return Fate.CANNOT_TELL

    async def labels_printed(self) -> int:
        """The printer's count."""
        if not isinstance(self._printer, CountsLabels):
            raise NothingSent("the printer of this station does not count")
        return await self._printer.labels_printed()

    async def hold(self, reason: str) -> None:
        """Hold each line that can be held."""
        for part in self._parts.values():
            if isinstance(part, Holds) and part.claims.holds:
                await part.hold(reason)

    async def release(self) -> None:
        """Release each line that can be held."""
        for part in self._parts.values():
            if isinstance(part, Holds) and part.claims.holds:
                await part.release()

    async def pass_by(self, code: str, reason: str) -> None:
        """Tell each line that can let goods pass. Raises `NothingSent` where none can."""
        able = [
            part
            for part in self._parts.values()
            if isinstance(part, PassesBy) and part.claims.passes_by
        ]
        if not able:
            raise NothingSent("no line of this station can let goods pass")
        for part in able:
            await part.pass_by(code, reason)

    def read_report(self, signature: str, body: bytes) -> Signal:
        """What a report of the line that reports over HTTP says. Raises `Refused`."""
        for part in self._parts.values():
            if isinstance(part, TakesReports):
                return part.read_report(signature, body)
        raise Refused("no line of this station reports over HTTP")

    async def signals(self) -> AsyncIterator[Signal]:
        """Reports of all lines; ends when one of them ends, so that it is opened again."""
        heard: _Heard = asyncio.Queue()
        tasks = [asyncio.create_task(_hand_on(part, heard)) for part in self._parts.values()]
        try:
            while (said := await heard.get()) is not None:
                signal, dealt_with = said
                yield signal
                dealt_with.set()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    def _acting(self) -> list[StationAdapter]:
        return [self._printer] if self._machine is None else [self._printer, self._machine]

    def _label_only(self, order: StationOrder, printed: Receipt, why: str) -> FateUnknown:
        return FateUnknown(
            f"the label of job {order.job_id} is {printed.stage.value} and its bag is not sure: "
            f"{why}"[:180],
            do="Look whether label and bag are there.",
            bytes_sent=printed.bytes_sent,
        )


def claims_of(parts: Mapping[Role, StationAdapter | type[StationAdapter]]) -> Claims:
    """What a station of these lines can know and do."""
    acting = [p.claims for role, p in parts.items() if role is not Role.SCANNER]
    printer = next(p for role, p in parts.items() if role in {Role.WHOLE, Role.PRINTER}).claims
    machine = parts[Role.MACHINE].claims if Role.MACHINE in parts else printer
    every = [part.claims for part in parts.values()]
    return Claims(
        knows=machine.knows,
        drops_repeats=all(one.drops_repeats for one in acting),
        can_be_asked=machine.can_be_asked,
        # With a machine a label more does not mean a bag more.
        counts_labels=printer.counts_labels and Role.MACHINE not in parts,
        comes_late_s=printer.comes_late_s,
        reports=frozenset().union(*(one.reports for one in every)),
        makes_bags=machine.makes_bags,
        holds=any(one.holds for one in every),
        passes_by=any(one.passes_by for one in every),
        deliver_within_s=sum(one.deliver_within_s for one in acting),
        state_within_s=sum(one.state_within_s for one in acting),
        retry=_most_patient([one.retry for one in acting]),
    )


def _most_patient(budgets: list[Retry]) -> Retry:
    """A station is as slow to come back as the slowest of its lines."""
    return Retry(
        attempts=min(one.attempts for one in budgets),
        first_wait_s=max(one.first_wait_s for one in budgets),
        longest_wait_s=max(one.longest_wait_s for one in budgets),
        breaker_faults=min(one.breaker_faults for one in budgets),
        breaker_open_s=max(one.breaker_open_s for one in budgets),
    )


async def _hand_on(part: StationAdapter, heard: _Heard) -> None:
    """One after the other: a line may tell its station only then that a report was dealt with."""
    async for signal in part.signals():
        dealt_with = asyncio.Event()
        heard.put_nowait((signal, dealt_with))
        await dealt_with.wait()
    heard.put_nowait(None)
