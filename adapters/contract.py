"""The contract between the gateway and a station kind. An adapter author reads this page first.

An adapter drives one line. It is asked to open, to deliver one job at a time, to say what state
the station is in, and to hand on what the station reports. It never retries, never resends by
itself, never stamps wall time, and never decides: it says how far it got, and the gateway acts on
that and on the adapter's claims.
"""

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from typing import ClassVar, Protocol, runtime_checkable

from schemas.station import (
    Fate,
    OptionValue,
    Receipt,
    ReceiptStage,
    Retry,
    Signal,
    StationCondition,
    StationOrder,
)

CONTRACT_VERSION = 1


@dataclass(frozen=True, slots=True)
class Claims:
    """What a kind can know and do. Every claim defaults to "no": claim only what the line proves.

    The gateway promises no more than this. A claim that is not true can print a second label.
    The kind's value is the most that any of its lines can; where options decide, a line has a value
    of its own that claims less, and that one counts.
    """

    knows: frozenset[ReceiptStage] = frozenset({ReceiptStage.SENT})
    """Stages that a receipt or a signal of this kind really proves."""
    drops_repeats: bool = False
    """The station remembers job ids and never prints the same one twice."""
    can_be_asked: bool = False
    """The station tells a job's fate afterwards (`AsksFate`)."""
    counts_labels: bool = False
    """The station has a counter of printed labels that survives a lost line (`CountsLabels`)."""
    comes_late_s: float = 1.0
    """How long after a label was sent it may still come out, and the counter rise by it."""
    reports: frozenset[str] = frozenset()
    """Signal kinds that it sends by itself (values of `SignalKind`)."""
    makes_bags: bool = False
    """It takes width and length: it opens or makes the bag, not only prints."""
    holds: bool = False
    """It can be told to hold and to go on (`Holds`)."""
    passes_by: bool = False
    """Goods at its infeed can be sent on unpacked (`PassesBy`)."""
    deliver_within_s: float = 10.0
    """After this long without an answer a delivery counts as unknown."""
    state_within_s: float = 3.0
    retry: Retry = field(default_factory=Retry)
    """How soon and how often a safe repeat is tried; what the site file states counts first."""


@dataclass(frozen=True, slots=True)
class LineSettings:
    """What an adapter is built from: the station's name and the options of its line."""

    station: str
    options: Mapping[str, OptionValue] = field(default_factory=dict)


@runtime_checkable
class StationLine(Protocol):
    """A line to one station, ready to be used.

    Methods are called from one task at a time, except `signals`. `open` and `close` may be called
    again and then do nothing; `open` may also be called by the task that listens to `signals`, so
    it takes a lock. Every method raises only the classes in `adapters.errors`, or
    `asyncio.CancelledError`.
    """

    @property
    def claims(self) -> Claims:
        """What this line can know and do."""
        ...

    async def open(self) -> None:
        """Make the line usable within its own deadline, or raise `NothingSent`."""
        ...

    async def close(self) -> None:
        """Let go of everything: no socket, file or task of this adapter is left afterwards."""
        ...

    async def deliver(self, order: StationOrder) -> Receipt:
        """Deliver one job once; the receipt's stage is one that the claims say it knows.

        Raises `NothingSent`, `FateUnknown`, `Refused`, `NeedsPerson` or `Misconfigured`.
        """
        ...

    async def state(self) -> StationCondition:
        """Ask the station for its state; `UNKNOWN` where the line has no way to ask."""
        ...

    def signals(self) -> AsyncIterator[Signal]:
        """What the station reports, until the line is closed or lost. Never ends with an error.

        After it has ended the gateway opens the line and listens again.
        """
        ...


@runtime_checkable
class StationAdapter(StationLine, Protocol):
    """A kind of station, as a package brings it: a line that is built from the site file."""

    claims: ClassVar[Claims]

    @classmethod
    def from_settings(cls, settings: LineSettings) -> "StationAdapter":
        """Build it, or raise `Misconfigured` naming the option. Opens nothing."""
        ...


@runtime_checkable
class AsksFate(Protocol):
    """For kinds that claim `can_be_asked`."""

    async def fate(self, job_id: str) -> Fate:
        """What became of a job. Raises `NothingSent` when the station can't be reached."""
        ...


@runtime_checkable
class CountsLabels(Protocol):
    """For kinds that claim `counts_labels`."""

    async def labels_printed(self) -> int:
        """The station's own count of printed labels. Raises `NothingSent`."""
        ...


@runtime_checkable
class Holds(Protocol):
    """For kinds that claim `holds`. A courtesy to the machine, never a safety function."""

    async def hold(self, reason: str) -> None:
        """Ask the station to make no further bag."""
        ...

    async def release(self) -> None:
        """Tell the station that it may go on; its own controller decides whether it does."""
        ...


@runtime_checkable
class TakesReports(Protocol):
    """For kinds whose station reports by signed HTTP requests to the gateway.

    Any gateway of the site may be asked, so these reports don't come by `signals`. Their signals
    are numbered, and the number rises for ever: so the gateway knows one that comes again.
    """

    def read_report(self, signature: str, body: bytes) -> Signal:
        """What a report says. Raises `Refused` for a wrong signature, `Unreadable` for no sense."""
        ...


@runtime_checkable
class PassesBy(Protocol):
    """For kinds that claim `passes_by`: stations that pack without a person."""

    async def pass_by(self, code: str, reason: str) -> None:
        """No-go: let these goods pass to where a person looks. Raises `NothingSent`."""
        ...
