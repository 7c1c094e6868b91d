"""What to do with a message after it was tried. Pure."""

from enum import StrEnum

TRIES_WHEN_BROKEN = 5


class Outcome(StrEnum):
    """How an attempt to take a message ended."""

    DURABLE = "durable"
    """It was accepted, now or before."""
    BUSY = "busy"
    """The lane is full, the store or the WMS is away: the message is good and its time isn't."""
    REFUSED = "refused"
    """The message itself is wrong, and will be wrong again."""
    BROKEN = "broken"
    """Something failed that nobody foresaw: perhaps the message, perhaps the gateway."""


class Next(StrEnum):
    """What is done with the message."""

    ACKNOWLEDGE = "acknowledge"
    LATER = "later"
    DEAD = "dead"


def decide(deliveries: int, outcome: Outcome) -> Next:
    """What to do with a message that was tried so many times, this one among them.

    A good message is never given up, however long its lane is full: only what is wrong in itself
    is, and what breaks the gateway again and again.
    """
    match outcome:
        case Outcome.DURABLE:
            return Next.ACKNOWLEDGE
        case Outcome.BUSY:
            return Next.LATER
        case Outcome.REFUSED:
            return Next.DEAD
        case Outcome.BROKEN:
            return Next.DEAD if deliveries >= TRIES_WHEN_BROKEN else Next.LATER


def wait_s(attempt: int, chance: float) -> float:
    """Seconds until the next try: from 0.1 doubling up to 5, spread by half. `chance` in 0..1."""
    return min(5.0, 0.1 * 2.0 ** min(attempt - 1, 10)) * (0.5 + 0.5 * chance)
