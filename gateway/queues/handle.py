"""One event into the intake, whichever way it came by, and how that ended."""

from collections.abc import Mapping
from dataclasses import dataclass

import structlog
from sqlalchemy.exc import InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from gateway.errors import GatewayError, LaneFull, Malformed, TooLarge, Unavailable
from gateway.intake.accept import Intake
from gateway.intake.envelope import Incoming, read_http
from gateway.queues.decide import Outcome
from schemas.events import Accepted
from schemas.problem import ProblemType

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Handled:
    """How an attempt ended; `accepted` where the event is durable, else the problem in words."""

    outcome: Outcome
    accepted: Accepted | None = None
    problem: str = ""
    reason: str = ""


def read_one(headers: Mapping[str, str], body: bytes, max_bytes: int) -> Incoming:
    """The one event of a message. Raises a `GatewayError` that says what is wrong with it."""
    if len(body) > max_bytes:
        raise TooLarge(f"The message has {len(body)} bytes; at most {max_bytes} are taken.")
    read = read_http(headers, body)
    if not isinstance(read, Incoming):
        raise Malformed("Send one event a message; batches are for HTTP.")
    return read


async def handle(intake: Intake, incoming: Incoming, actor: str) -> Handled:
    """Try to accept an event. Raises nothing but cancellation."""
    try:
        accepted = await intake.accept(incoming, actor=actor)
    except (LaneFull, Unavailable) as busy:
        return Handled(Outcome.BUSY, None, busy.type.value, busy.detail)
    except GatewayError as refused:
        return refusal(refused)
    except (OperationalError, InterfaceError, PoolTimeout, OSError) as away:
        reason = f"the store can't be read: {type(away).__name__}"
        return Handled(Outcome.BUSY, None, ProblemType.UNAVAILABLE.value, reason)
    except Exception as broken:
        log.exception("queue.broke", event_id=incoming.event.id, actor=actor)
        reason = f"the gateway failed on it: {type(broken).__name__}; its log has the cause"
        return Handled(Outcome.BROKEN, None, ProblemType.INTERNAL.value, reason)
    return Handled(Outcome.DURABLE, accepted)


def refusal(error: GatewayError) -> Handled:
    """An error of ours as the end of an attempt."""
    told = "; ".join(f"{field.field}: {field.text}" for field in error.fields[:5])
    reason = f"{error.detail} ({told})" if told else error.detail
    return Handled(Outcome.REFUSED, None, error.type.value, reason)
