"""What can be made to go wrong at a simulated station, label by label."""

from collections import deque
from dataclasses import dataclass
from enum import StrEnum


class FaultKind(StrEnum):
    """A way in which a station fails."""

    CUT = "cut"
    """The line is reset after so many bytes of the next label; nothing is printed."""
    SILENT = "silent"
    """Lines are accepted and never read, until `heal`."""
    SLOW = "slow"
    """Input is read in small pieces with a pause, and answers wait, until `heal`."""
    SAYS_PRINTED = "says_printed"
    """It says printed and has printed nothing."""
    ANSWERS_NOTHING = "answers_nothing"
    """It prints and says nothing."""
    LOSES_LINE = "loses_line"
    """It prints, and the line is reset before the answer."""
    TWICE = "twice"
    """It prints the label twice."""
    REFUSE = "refuse"
    """It refuses the job."""
    GARBAGE = "garbage"
    """It answers with bytes that mean nothing, and prints nothing."""
    REPEATS = "repeats"
    """It says everything twice."""


_LASTING = frozenset({FaultKind.SILENT, FaultKind.SLOW})


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. Lasting kinds stay until `heal`; others befall `times` labels."""

    kind: FaultKind
    after_bytes: int = 0
    seconds: float = 0.01
    times: int = 1


class Script:
    """The faults that are still to come, in order."""

    def __init__(self, faults: tuple[Fault, ...] = ()) -> None:
        self._next: deque[FaultKind] = deque()
        self._lasting: dict[FaultKind, Fault] = {}
        self.cut_at = 0
        for fault in faults:
            self.add(fault)

    def add(self, fault: Fault) -> None:
        """Put a fault at the end of the script, or start a lasting one now."""
        if fault.kind in _LASTING:
            self._lasting[fault.kind] = fault
            return
        if fault.kind is FaultKind.CUT:
            self.cut_at = fault.after_bytes
        self._next.extend([fault.kind] * fault.times)

    def heal(self) -> None:
        """Forget every fault."""
        self._next.clear()
        self._lasting.clear()

    def lasting(self, kind: FaultKind) -> Fault | None:
        """A lasting fault that is on."""
        return self._lasting.get(kind)

    def coming(self, kind: FaultKind) -> bool:
        """Whether this fault befalls the next label."""
        return bool(self._next) and self._next[0] is kind

    def befalls(self) -> FaultKind | None:
        """Take the fault of the label that is at hand."""
        return self._next.popleft() if self._next else None
