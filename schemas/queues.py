"""Ways in and out beside HTTP: brokers, webhooks, scanner sockets, drop folders."""

from enum import StrEnum
from ipaddress import ip_network
from pathlib import Path
from typing import Annotated, Self

from pydantic import AfterValidator, Field, StringConstraints, model_validator

from schemas.base import Instant, Record, Slug, StationId
from schemas.events import OutgoingType

Variable = Annotated[str, StringConstraints(pattern=r"^[A-Za-z_][A-Za-z0-9_]{0,99}$")]
"""Name of an environment variable."""


def _network(text: str) -> str:
    ip_network(text)
    return text


Network = Annotated[str, AfterValidator(_network)]
"""Addresses as `10.2.0.0/16` or `2001:db8::/32`."""

Address = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]+([./][A-Za-z0-9_-]+)*$")]
"""A subject, a queue or a topic: words joined by dots or slashes, without wildcards."""


class Broker(StrEnum):
    """Kinds of brokers."""

    NATS = "nats"
    RABBITMQ = "rabbitmq"
    MQTT = "mqtt"


_BROKER_OF = {
    "nats": Broker.NATS,
    "tls": Broker.NATS,
    "amqp": Broker.RABBITMQ,
    "amqps": Broker.RABBITMQ,
    "mqtt": Broker.MQTT,
    "mqtts": Broker.MQTT,
}


class Queue(Record):
    """One broker that carries events to the gateway, from it, or both."""

    id: Slug
    url: Annotated[
        str, StringConstraints(pattern=r"^(nats|tls|amqps?|mqtts?)://[^/@\s]+(/[^@\s]*)?$")
    ]
    """Its scheme says which kind: nats or tls, amqp or amqps, mqtt or mqtts. No password here."""
    user: str | None = None
    password_env: Variable | None = None
    password_file: Path | None = None
    """Or the file that holds it."""
    ca_file: Path | None = None
    """Who signs the broker's certificate, PEM; the machine's own authorities where left empty."""
    cert_file: Path | None = None
    """The gateway's own certificate, PEM, where the broker asks for one."""
    key_file: Path | None = None
    """Its key, PEM, not encrypted: keep it readable for the gateway only."""
    take_from: Address | None = "bagrelay.in"
    """Where events for the gateway come in; none: it takes nothing there."""
    send_to: Address | None = "bagrelay.out"
    """Where the gateway's own events go; none: it sends nothing there."""
    dead: Address = "bagrelay.dead"
    """Where events go that can never be taken, each with its reason."""
    send: tuple[OutgoingType, ...] = ()
    """The types to send; all where left empty."""
    binary: bool = False
    """Send with attributes in headers; else as one JSON object."""
    prefetch: Annotated[int, Field(ge=1, le=10_000)] = 100
    """Events in hand at once, not yet acknowledged."""

    @model_validator(mode="after")
    def _files_are_used(self) -> Self:
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file belong together: name both")
        secure = self.url.partition(":")[0] in ("tls", "amqps", "mqtts")
        if (self.ca_file or self.cert_file) and not secure:
            raise ValueError(
                "ca_file and cert_file do nothing without TLS: use tls, amqps or mqtts"
            )
        return self

    @property
    def broker(self) -> Broker:
        """Which kind of broker the URL means."""
        return _BROKER_OF[self.url.partition(":")[0]]


class Webhook(Record):
    """One HTTP address that is told the gateway's own events."""

    id: Slug
    url: Annotated[str, StringConstraints(pattern=r"^https?://[^/@\s]+(/[^\s]*)?$")]
    secret_env: Variable | None = None
    """The variable with the signing secret; several, parted by spaces, while one is replaced."""
    secret_file: Path | None = None
    """Or the file that holds it."""
    send: tuple[OutgoingType, ...] = ()
    """The types to send; all where left empty."""
    allow_networks: tuple[Network, ...] = ()
    """Private or loopback addresses that this target may have."""
    answer_s: Annotated[float, Field(gt=0, le=60)] = 10.0
    origin: (
        Annotated[
            str, StringConstraints(pattern=r"^[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?$")
        ]
        | None
    ) = None
    """Ask the target by OPTIONS, under this DNS name, whether it wants our events at all."""

    @model_validator(mode="after")
    def _is_signed(self) -> Self:
        if (self.secret_env is None) == (self.secret_file is None):
            raise ValueError("a webhook is signed: name either secret_env or secret_file")
        return self


class ScanMeaning(StrEnum):
    """What a code that was read says."""

    ORDER = "order"
    """Pack this order here."""
    VERIFY = "verify"
    """This is the label on the finished bag."""


class Scanner(Record):
    """A barcode scanner that sends codes ended by CR or LF, over TCP or on a serial line."""

    id: Slug
    station: StationId
    meaning: ScanMeaning
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] | None = None
    """The gateway listens here for the scanner."""
    device: str | None = None
    """Or the serial device that it hangs on."""
    baud: Annotated[int, Field(ge=300, le=1_000_000)] = 9600
    no_read: str | None = None
    """What the scanner sends when it tried and read nothing, such as `NOREAD`."""
    acknowledge: bool = False
    """Answer ACK (0x06) once a code is durable and NAK (0x15) when it is refused."""
    max_connections: Annotated[int, Field(ge=1, le=100)] = 2
    idle_s: Annotated[float, Field(gt=0, le=86_400)] = 900.0
    """A connection that is silent for so long is closed."""
    from_networks: tuple[Network, ...] = ()
    """Who may connect; whoever reaches the port where left empty."""

    @model_validator(mode="after")
    def _one_line(self) -> Self:
        if (self.port is None) == (self.device is None):
            raise ValueError("a scanner has either a port or a device")
        return self


class FolderIn(Record):
    """A folder that takes events as files; each is moved in by renaming."""

    path: Path
    every_s: Annotated[float, Field(gt=0, le=60)] = 0.5


class DeadLetter(Record):
    """An event that could not be taken or sent, with its reason."""

    id: int
    way: str
    """Where it came by or should have gone: `queue wms`, `scanner infeed`, `webhook erp`."""
    time: Instant
    """When it came, the last time."""
    times: int
    """How often the same bytes came."""
    problem: str
    reason: str
    source: str | None = None
    event_id: str | None = None
    headers: dict[str, str] = {}
    body: str | None = None
    """As text; shown for one letter only, never in a list."""
    body_base64: str | None = None
    """The same, where it is no text."""
    replayed: Instant | None = None
    """When it was replayed and went through."""


class WayIn(Record):
    """How one way in is doing."""

    way: str
    connected: bool
    in_hand: int
    """Taken from there and not yet acknowledged."""
    taken: int
    """Made durable since the gateway started, repeats among them."""
    refused: int = 0
    """Given up since then, each with its reason."""
    reconnects: int = 0
    """Connections made since then beyond the first."""
    text: str = ""
    """What hinders it, if anything does."""


class Target(Record):
    """How far the gateway's own events have got at one place that is told them."""

    way: str
    sent_to: int
    """Number of the last event that it took."""
    waiting: int
    """Events that it has not been sent yet."""
    waiting_since: Instant | None = None
    """When the oldest of them came to be."""
    faults: int = 0
    """How often it took nothing, as this gateway saw it since it started."""
    missed: int
    """Events that were given up because it took nothing for too long."""
    text: str = ""
    """Why it takes nothing, if it doesn't."""
    changed: Instant | None = None


class QueuesView(Record):
    """Every way in and every target."""

    ways_in: tuple[WayIn, ...]
    targets: tuple[Target, ...]
    dead_letters: int


class ReplayFrom(Record):
    """From which of its own events on a target is sent them again."""

    first: Annotated[int, Field(ge=1)]


class Replayed(Record):
    """What a replay did."""

    text: str
