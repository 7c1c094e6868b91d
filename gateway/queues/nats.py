"""NATS JetStream: a durable pull consumer in, acknowledged publishing out.

CloudEvents 1.0.2: the NATS binding has one JSON object a message; newer drafts add binary mode
with `ce-` headers, which is taken and, where the site says so, sent.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator, Mapping
from secrets import token_hex
from typing import Any

from nats.aio.client import Client
from nats.aio.msg import Msg
from nats.errors import Error as NatsError
from nats.js import JetStreamContext
from nats.js.api import (
    AckPolicy,
    ConsumerConfig,
    DiscardPolicy,
    RetentionPolicy,
    StorageType,
    StreamConfig,
)
from nats.js.errors import NotFoundError, ServiceUnavailableError
from structlog import get_logger

from gateway.queues.port import (
    STRUCTURED,
    BrokerDown,
    BrokerRefuses,
    Delivery,
    Event,
    Unavailable,
    header_value,
    why_down,
)
from gateway.queues.secure import BrokerAddress

log = get_logger(__name__)

ACK_WAIT_S = 10.0
_ANSWER_S = 5.0
_GOODBYE_S = 2.0
_LOOK_EVERY_S = 1.0
_KEEP_SENT_S = 30 * 86_400.0


class NatsLink:
    """One connection that is not made again by the client: lost is lost, and is told."""

    def __init__(self, address: BrokerAddress) -> None:
        self._address = address
        self._client: Client | None = None
        self.lost = asyncio.Event()

    async def open(self) -> JetStreamContext:
        """Connect. Raises `BrokerDown`."""
        lost = self.lost = asyncio.Event()

        async def closed() -> None:
            lost.set()

        try:
            context = self._address.context()
            client = self._client = _Secured() if context else Client()
            await client.connect(
                self._address.url,
                user=self._address.user,
                password=self._address.password,
                tls=context,
                allow_reconnect=False,
                connect_timeout=3,
                # the client tries a first connection again and again unless told so
                max_reconnect_attempts=1,
                reconnect_time_wait=0.05,  # type: ignore[arg-type]  # it sleeps so long
                error_cb=_quiet,
                closed_cb=closed,
                name="bagrelay",
            )
        except (NatsError, OSError, TimeoutError) as error:
            await self.close()  # a connection that was refused half-way is not let go by itself
            refused = "authorization" in str(error).lower()
            raise (BrokerRefuses if refused else BrokerDown)(_why(error)) from error
        return client.jetstream(timeout=_ANSWER_S)

    async def close(self) -> None:
        """Let go of it."""
        client, self._client = self._client, None
        if client is not None:
            # a line whose securing failed would be waited for without end
            with contextlib.suppress(NatsError, OSError, TimeoutError):
                async with asyncio.timeout(_GOODBYE_S):
                    await client.close()


class _Secured(Client):
    """Secures the line or gives it up.

    The library asks for TLS only where the server demands it, in a first line that is not secured:
    whoever changes that line would be told user and password in clear.
    """

    async def _process_info(
        self,
        info: dict[str, Any],
        initial_connection: bool = False,
    ) -> None:
        if initial_connection:
            if not (info.get("tls_required") or info.get("tls_available")):
                raise NatsError("the server offers no TLS")
            info["tls_required"] = True
        await super()._process_info(info, initial_connection)


class NatsSource:
    """Events from a subject, through a durable consumer that outlives us."""

    def __init__(
        self, link: NatsLink, *, subject: str, dead: str, prefetch: int, ack_wait_s: float
    ) -> None:
        self._link = link
        self._subject, self._dead = subject, dead
        self._prefetch, self._ack_wait_s = prefetch, ack_wait_s
        self._js: JetStreamContext | None = None
        self._in_hand: dict[str, Msg] = {}
        self._handed: int | None = None
        self._let_go = asyncio.Event()
        self._keeping: asyncio.Task[None] | None = None

    async def open(self) -> None:
        """Connect; make the streams and the consumer where they are missing."""
        js = await self._link.open()
        try:
            await _stream(js, self._subject, RetentionPolicy.WORK_QUEUE, None)
            await _stream(js, self._dead, RetentionPolicy.LIMITS, _KEEP_SENT_S)
        except (NatsError, OSError, TimeoutError) as error:
            await self._link.close()
            raise BrokerDown(_why(error)) from error
        self._js = js
        self._keeping = asyncio.create_task(self._keep_in_hand(), name="nats in hand")

    async def deliveries(self) -> AsyncIterator[Delivery]:
        """Messages as they come; raises `BrokerDown` when the connection is lost."""
        assert self._js is not None
        try:
            pull = await self._consumer(self._js)
            while not self._link.lost.is_set():
                room = self._prefetch - len(self._in_hand)
                if room <= 0:
                    self._let_go.clear()
                    with contextlib.suppress(TimeoutError):
                        await asyncio.wait_for(self._let_go.wait(), _LOOK_EVERY_S)
                    continue
                try:
                    messages = await pull.fetch(room, timeout=_LOOK_EVERY_S)
                except TimeoutError:
                    continue
                self._in_hand |= {message.reply: message for message in messages}
                for message in messages:
                    self._counts_on(message)
                    yield _delivery(message)
        except (NatsError, OSError, TimeoutError) as error:
            raise BrokerDown(_why(error)) from error
        raise BrokerDown("the connection was lost")

    def _counts_on(self, message: Msg) -> None:
        """The server numbers what it hands out. Raises `BrokerDown` where one got lost here.

        It would come again only after newer ones, so this reader ends, and the next begins with it.
        """
        number = message.metadata.sequence.consumer
        if self._handed is not None and number != self._handed + 1:
            raise BrokerDown(f"message {self._handed + 1} got lost on its way")
        self._handed = number

    async def _consumer(self, js: JetStreamContext) -> JetStreamContext.PullSubscription:
        """Make the consumer anew, so that what the last reader had in hand comes first, in order.

        The server knows such messages only by their time running out, and would hand out newer
        ones meanwhile. A reader that was paused finds its consumer gone and can't take any more.
        In a stream with rules of the site's own the position would go with the consumer: there
        the time is waited for.
        """
        stream = await js.find_stream_name_by_subject(self._subject)
        name = f"bagrelay-{_plain(self._subject)}"
        if (await js.stream_info(stream)).config.retention == RetentionPolicy.WORK_QUEUE:
            for old in await js.consumers_info(stream):
                if old.name.startswith(name) and old.config.filter_subject == self._subject:
                    with contextlib.suppress(NotFoundError):
                        await js.delete_consumer(stream, old.name)
            name = f"{name}-{token_hex(4)}"
            self._handed = 0
        made = await js.add_consumer(
            stream,
            ConsumerConfig(
                durable_name=name,
                filter_subject=self._subject,
                ack_policy=AckPolicy.EXPLICIT,
                ack_wait=self._ack_wait_s,
                # it counts what was handed back for later too, so we count for ourselves
                max_ack_pending=-1,
                max_deliver=-1,
            ),
        )
        if made.num_ack_pending:
            await asyncio.sleep(self._ack_wait_s)
        return await js.pull_subscribe_bind(name, stream)

    async def ack(self, delivery: Delivery) -> None:
        """Acknowledge; not awaited by the server's answer, since a repeat is recognised."""
        message = self._taken(delivery)
        with _told():
            await message.ack()

    async def later(self, delivery: Delivery, delay_s: float) -> None:
        """Negative acknowledgement with a delay."""
        message = self._taken(delivery)
        with _told():
            await message.nak(delay=delay_s)

    async def dead(self, delivery: Delivery, problem: str, reason: str) -> None:
        """Publish to the dead subject, then let the original go."""
        assert self._js is not None
        headers = {
            **{name: value for name, value in delivery.headers.items() if value},
            "bagrelay-problem": header_value(problem),
            "bagrelay-reason": header_value(reason),
        }
        with _told():
            await self._js.publish(self._dead, delivery.body, headers=headers)
            await self._taken(delivery).ack()

    async def close(self) -> None:
        """Let go; the consumer and what it has not acknowledged stay at the server."""
        if self._keeping is not None:
            self._keeping.cancel()
            await asyncio.gather(self._keeping, return_exceptions=True)
            self._keeping = None
        left, self._in_hand = list(self._in_hand.values()), {}
        for message in left:
            with contextlib.suppress(NatsError, OSError):
                await message.nak()  # the next reader need not wait for it to run out
        await self._link.close()

    def _taken(self, delivery: Delivery) -> Msg:
        message = delivery.handle
        assert isinstance(message, Msg)
        self._in_hand.pop(message.reply, None)
        self._let_go.set()
        return message

    async def _keep_in_hand(self) -> None:
        """What waits here for its lane must not be handed out again meanwhile."""
        while True:
            await asyncio.sleep(self._ack_wait_s / 3)
            for message in list(self._in_hand.values()):
                with contextlib.suppress(NatsError, OSError):
                    await message.in_progress()


class NatsSink:
    """The gateway's own events on a subject. The event's id lets the stream drop a repeat."""

    def __init__(self, link: NatsLink, subject: str, *, binary: bool) -> None:
        self._link, self._subject, self._binary = link, subject, binary
        self._js: JetStreamContext | None = None

    async def send(self, event: Event) -> None:
        """Publish and wait for the stream's acknowledgement."""
        try:
            js = self._js if self._js and not self._link.lost.is_set() else await self._connect()
            body, headers = _message_of(event, binary=self._binary)
            await js.publish(self._subject, body, headers={**headers, "Nats-Msg-Id": event.id})
        except (BrokerDown, NatsError, OSError, TimeoutError) as error:
            self._js = None  # whatever it was, a new connection is the cure
            raise Unavailable(_why(error)) from error

    async def _connect(self) -> JetStreamContext:
        await self._link.close()
        js = await self._link.open()
        await _stream(js, self._subject, RetentionPolicy.LIMITS, _KEEP_SENT_S)
        self._js = js
        return js

    async def close(self) -> None:
        """Let go of the connection."""
        self._js = None
        await self._link.close()


async def _stream(
    js: JetStreamContext, subject: str, retention: RetentionPolicy, keep_s: float | None
) -> None:
    """Make a stream for the subject, unless one takes it already: the site's own rules then."""
    with contextlib.suppress(NotFoundError):
        await js.find_stream_name_by_subject(subject)
        return
    refuse_new = retention is RetentionPolicy.WORK_QUEUE
    await js.add_stream(
        StreamConfig(
            name=_plain(subject),
            subjects=[subject],
            retention=retention,
            storage=StorageType.FILE,
            # a full queue must tell its senders, not forget what it has
            discard=DiscardPolicy.NEW if refuse_new else DiscardPolicy.OLD,
            max_age=keep_s,
        )
    )


def _plain(subject: str) -> str:
    """A subject as a name: JetStream's names take no dots."""
    return "".join(sign if sign.isalnum() or sign in "-_" else "_" for sign in subject)


def _delivery(message: Msg) -> Delivery:
    headers = {name.lower(): value for name, value in (message.headers or {}).items()}
    if "content-type" not in headers and "ce-specversion" not in headers:
        headers["content-type"] = STRUCTURED
    return Delivery(message.data, headers, message.metadata.num_delivered or 1, message)


def _message_of(event: Event, *, binary: bool) -> tuple[bytes, Mapping[str, str]]:
    if not binary:
        return event.structured(), {"content-type": STRUCTURED}
    attributes = event.attributes()
    headers = {"content-type": attributes.pop("datacontenttype")}
    headers |= {f"ce-{name}": header_value(value) for name, value in attributes.items()}
    return event.data, headers


@contextlib.contextmanager
def _told() -> Iterator[None]:
    try:
        yield
    except (NatsError, OSError, TimeoutError) as error:
        raise BrokerDown(_why(error)) from error


def _why(error: BaseException) -> str:
    if isinstance(error, ServiceUnavailableError):
        return "the server answers, but JetStream is off or not ready"
    return why_down(error)


async def _quiet(error: Exception) -> None:
    log.debug("nats.told", error=str(error))
