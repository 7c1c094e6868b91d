"""What a lane tells of itself beside its durable steps."""

from dataclasses import dataclass


@dataclass(slots=True)
class LaneView:
    """What a lane is doing, for pages and probes. Not durable: a hint, never a truth."""

    waits_for: str = ""
    faults_in_a_row: int = 0
    breaker_open: bool = False
    signal_refused: str = ""
    failed_tries: int = 0
    """Since the station last took a label."""
    connected: bool = False
