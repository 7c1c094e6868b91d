"""What people say to the gateway: answers, reasons, and who they are."""

from enum import StrEnum

from schemas.base import JobId, Note, OrderId, Person, Record, StationId


class Answer(StrEnum):
    """Answers to the question that a waiting job asks."""

    PRINTED = "printed"
    """In doubt: the label came out and is on its bag."""
    NOT_PRINTED = "not_printed"
    """In doubt: no label came out; send it."""
    THROWN_AWAY = "thrown_away"
    """In doubt: whatever came out is destroyed; nothing of it leaves."""
    SEND_AGAIN = "send_again"
    """Refused or stale: send it now."""
    GIVE_UP = "give_up"
    """Refused or stale: never send it."""


class Reasoned(Record):
    """An action with its reason and the person who answers for it."""

    reason: Note
    by: Person


class Settle(Reasoned):
    """An answer to a job that waits for a person."""

    answer: Answer


class MoveOrder(Reasoned):
    """Take an order's waiting jobs to another station."""

    to_station: StationId


class RowRepairPlan(Record):
    """What would put a shifted row right; nothing is done before a person approves it."""

    station: StationId
    void: tuple[JobId, ...]
    orders: tuple[OrderId, ...]
    next_to_load: OrderId
    text: str


class RowRepair(Reasoned):
    """Approval of a repair plan: the very jobs that it named."""

    void: tuple[JobId, ...]
