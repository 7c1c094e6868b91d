"""What a lane tells of itself beside its durable steps."""

from dataclasses import dataclass, field

from gateway.errors import GatewayError
from schemas.station import Signal, SignalKind


@dataclass(slots=True)
class LaneView:
    """What a lane is doing, for pages and probes. Not durable: a hint, never a truth."""

    waits_for: str = ""
    faults_in_a_row: int = 0
    breaker_open: bool = False
    failed_tries: int = 0
    """Since the station last took a label."""
    connected: bool = False
    refused: dict[SignalKind, str] = field(default_factory=dict)
    """Reports of the station that were not taken, by kind, until one of that kind is."""

    @property
    def signal_refused(self) -> str:
        """The last of them; empty for none."""
        return next(reversed(self.refused.values()), "")

    def refuses(self, signal: Signal, why: GatewayError) -> None:
        """A report was not taken."""
        self.refused.pop(signal.kind, None)
        self.refused[signal.kind] = refusal(signal, why)

    def takes(self, signal: Signal) -> None:
        """A report was taken."""
        self.refused.pop(signal.kind, None)


def refusal(signal: Signal, refused: GatewayError) -> str:
    """What was reported, why it isn't taken, and what in it is wrong."""
    said = f"{signal.kind.value.replace('_', ' ')}: {refused.detail}"
    wrong = "; ".join(f"{problem.field}: {problem.text}" for problem in refused.fields)
    return f"{said} ({wrong})" if wrong else said
