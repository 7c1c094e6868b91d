"""The narrow port to a broker: what a source and a sink must do, whatever carries the events.

A source connects once and is thrown away when its connection is lost; whoever runs it makes a new
one. So no client library resends or reconnects behind our back, and what was in hand comes again
from the broker, which still has it: nothing is acknowledged before its commit.
"""

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol
from urllib.parse import quote

import orjson

from adapters.why_lost import why_lost
from gateway.clock import instant_text

STRUCTURED = "application/cloudevents+json"


class BrokerDown(Exception):
    """The broker can't be reached, or the connection was lost."""


class BrokerRefuses(BrokerDown):
    """The broker answers and doesn't want us: user, password, rights or a setting is wrong."""


def why_down(error: BaseException) -> str:
    """What a client library's error says, in words where it is the system's own."""
    if isinstance(error, OSError) and error.errno is not None:
        return why_lost(error)
    return str(error) or why_lost(error)


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message as it came. `headers` are those of the HTTP binding, whatever broker it was."""

    body: bytes
    headers: Mapping[str, str]
    deliveries: int
    """How often the broker has handed it out, counted from 1; 1 where it doesn't count."""
    handle: object = field(repr=False, default=None)
    """What the source needs to acknowledge it."""


class Source(Protocol):
    """Messages from a broker, at most so many in hand at once."""

    async def open(self) -> None:
        """Connect and make sure that what is taken from exists. Raises `BrokerDown`."""
        ...

    def deliveries(self) -> AsyncIterator[Delivery]:
        """Messages as they come. Raises `BrokerDown` when the connection is lost."""
        ...

    async def ack(self, delivery: Delivery) -> None:
        """It is durable here: the broker may forget it. Raises `BrokerDown`."""
        ...

    async def later(self, delivery: Delivery, delay_s: float) -> None:
        """Hand it back, to come again after about so long. Raises `BrokerDown`."""
        ...

    async def dead(self, delivery: Delivery, problem: str, reason: str) -> None:
        """Move it to the dead letters at the broker. Raises `BrokerDown`."""
        ...

    async def close(self) -> None:
        """Let go of the connection; what is in hand comes again later."""
        ...


@dataclass(frozen=True, slots=True)
class Event:
    """One event of the gateway's own, ready to be sent. The same event always has the same id."""

    number: int
    id: str
    source: str
    type: str
    subject: str | None
    time: datetime
    data: bytes
    """A JSON object."""

    def attributes(self) -> dict[str, str]:
        """The CloudEvents attributes without data."""
        named = {
            "specversion": "1.0",
            "id": self.id,
            "source": self.source,
            "type": self.type,
            "time": instant_text(self.time),
            "datacontenttype": "application/json",
        }
        return named | ({"subject": self.subject} if self.subject else {})

    def structured(self) -> bytes:
        """The event as one JSON object."""
        return orjson.dumps({**self.attributes(), "data": orjson.Fragment(self.data)})


class Unavailable(Exception):
    """The target took nothing; it should be tried again, not before `retry_after_s`."""

    def __init__(self, why: str, retry_after_s: float = 0.0) -> None:
        super().__init__(why)
        self.retry_after_s = retry_after_s


class NeverTakes(Exception):
    """The target will never take this event, whatever is done."""


class Sink(Protocol):
    """A place that is told the gateway's own events."""

    async def send(self, event: Event) -> None:
        """Send one event; returns once the target has it. Raises `Unavailable`, `NeverTakes`."""
        ...

    async def close(self) -> None:
        """Let go of the connection."""
        ...


def header_value(value: str) -> str:
    """A value as the HTTP binding writes it: percent-encoded UTF-8 but for visible ASCII.

    Source: CloudEvents 1.0.2, HTTP protocol binding, section on header values.
    """
    visible = "".join(chr(sign) for sign in range(0x21, 0x7F) if chr(sign) not in '"%')
    return quote(value, safe=visible)
