"""What follows a failed delivery: a pure table of claims and fault. Nothing else decides it."""

from enum import StrEnum

from adapters.contract import Claims
from adapters.errors import (
    FateUnknown,
    Misconfigured,
    NeedsPerson,
    NothingSent,
    Refused,
    StationFault,
)


class Next(StrEnum):
    """What dispatch does next."""

    RETRY = "retry"
    """Send again after a wait: no second label can come of it."""
    ASK = "ask"
    """Ask the station what became of the job."""
    IN_DOUBT = "in_doubt"
    """Stop the lane; a person or a verifying scan settles it."""
    REFUSED = "refused"
    """Set the job aside for a person; the lane goes on."""
    WAIT_FOR_PERSON = "wait_for_person"
    """Keep the job at the head of the lane; somebody must go to the station."""
    HOLD = "hold"
    """Hold the station: the site file and the station disagree."""


def after_fault(claims: Claims, fault: StationFault) -> Next:
    """Decide from what the line can prove and how far the delivery got.

    A station that can be asked is asked before a repeat that it would drop: a job that may be out
    does not go back to those that wait, where it could be cancelled or moved to another station.
    """
    match fault:
        case NothingSent():
            return Next.RETRY
        case NeedsPerson():
            return Next.WAIT_FOR_PERSON
        case Misconfigured():
            return Next.HOLD
        case Refused():
            return Next.REFUSED
        case FateUnknown() if claims.can_be_asked:
            return Next.ASK
        case FateUnknown() if claims.drops_repeats:
            return Next.RETRY
        case FateUnknown() if claims.counts_labels:
            return Next.ASK
        case _:
            return Next.IN_DOUBT
