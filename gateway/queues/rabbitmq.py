"""RabbitMQ: quorum queues in, confirmed publishing out.

CloudEvents 1.0.2, AMQP binding: structured by the content type, binary by headers that begin with
`cloudEvents:` (or `cloudEvents_`, which newer texts allow).
"""

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Iterator, Mapping

import aio_pika
from aio_pika.abc import AbstractChannel, AbstractConnection, AbstractIncomingMessage
from aio_pika.exceptions import AMQPError, DeliveryError, ProbableAuthenticationError
from aiormq.exceptions import ChannelInvalidStateError
from pamqp.common import FieldValue
from yarl import URL

from gateway.queues.port import (
    STRUCTURED,
    BrokerDown,
    BrokerRefuses,
    Delivery,
    Event,
    NeverTakes,
    Unavailable,
    header_value,
    why_down,
)
from gateway.queues.secure import BrokerAddress

# what the client has to say about a lost connection is told once, by us
for _name in ("aio_pika", "aiormq"):
    logging.getLogger(_name).setLevel(logging.CRITICAL)

_QUORUM: dict[str, FieldValue] = {"x-queue-type": "quorum"}
_ONE_READER: dict[str, FieldValue] = {**_QUORUM, "x-single-active-consumer": True}
"""A second reader gets nothing while the first may still have older messages in hand."""
_HEARTBEAT_S = 10
"""A reader that is paused or cut off is let go of by the broker after two of these."""
_ANSWER_S = 5.0
_GOODBYE_S = 2.0
_FAULTS = (AMQPError, ChannelInvalidStateError, OSError, TimeoutError, RuntimeError)


class RabbitLink:
    """One connection that is not made again by the client: lost is lost, and is told."""

    def __init__(self, address: BrokerAddress) -> None:
        url = URL(address.url)
        if address.user:
            url = url.with_user(address.user).with_password(address.password)
        self._address, self._url = address, url
        self._connection: AbstractConnection | None = None
        self._lost: asyncio.Event | None = None

    @property
    def lost(self) -> bool:
        """Whether there is no connection."""
        return self._connection is None or self._lost is None or self._lost.is_set()

    async def open(self) -> AbstractChannel:
        """Connect, with a channel that confirms. Raises `BrokerDown`."""
        lost = self._lost = asyncio.Event()
        try:
            async with asyncio.timeout(_ANSWER_S):
                self._connection = await aio_pika.connect(
                    self._url.update_query(heartbeat=_HEARTBEAT_S),
                    timeout=3,
                    ssl_context=self._address.context(),
                )
                self._connection.close_callbacks.add(lambda *_: lost.set())
                channel = await self._connection.channel(publisher_confirms=True)
        except ProbableAuthenticationError as error:
            raise BrokerRefuses("user or password is wrong") from error
        except _FAULTS as error:
            raise BrokerDown(why_down(error)) from error
        channel.close_callbacks.add(lambda *_: lost.set())
        return channel

    async def until_lost(self) -> None:
        """Wait for the connection or its channel to go."""
        assert self._lost is not None
        await self._lost.wait()

    async def close(self) -> None:
        """Let go of it."""
        connection, self._connection = self._connection, None
        if connection is not None:
            # a connection that was cut may wait for its goodbye for ever
            with contextlib.suppress(*_FAULTS):
                async with asyncio.timeout(_GOODBYE_S):
                    await connection.close()


class RabbitSource:
    """Events from a quorum queue.

    The broker can't delay a message that is handed back, so such a message goes through a queue
    of ours whose messages run out back into the first one.
    """

    def __init__(self, link: RabbitLink, *, queue: str, dead: str, prefetch: int) -> None:
        self._link = link
        self._queue, self._dead, self._prefetch = queue, dead, prefetch
        self._channel: AbstractChannel | None = None

    async def open(self) -> None:
        """Connect; declare the queues."""
        channel = await self._link.open()
        try:
            await channel.set_qos(prefetch_count=self._prefetch)
            await channel.declare_queue(self._queue, durable=True, arguments=_ONE_READER)
            await channel.declare_queue(self._dead, durable=True, arguments=_QUORUM)
            await channel.declare_queue(
                f"{self._queue}.later",
                durable=True,
                arguments={
                    **_QUORUM,
                    "x-dead-letter-exchange": "",
                    "x-dead-letter-routing-key": self._queue,
                    "x-dead-letter-strategy": "at-least-once",
                    "x-overflow": "reject-publish",
                },
            )
        except _FAULTS as error:
            await self._link.close()
            raise BrokerDown(why_down(error)) from error
        self._channel = channel

    async def deliveries(self) -> AsyncIterator[Delivery]:
        """Messages as they come; raises `BrokerDown` when the connection is lost."""
        assert self._channel is not None
        came: asyncio.Queue[AbstractIncomingMessage | None] = asyncio.Queue()
        try:
            queue = await self._channel.get_queue(self._queue)
            await queue.consume(came.put)
        except _FAULTS as error:
            raise BrokerDown(why_down(error)) from error

        async def watch() -> None:
            await self._link.until_lost()
            await came.put(None)

        watching = asyncio.create_task(watch(), name="rabbitmq connection")
        try:
            while (message := await came.get()) is not None:
                yield _delivery(message)
        finally:
            watching.cancel()
            await asyncio.gather(watching, return_exceptions=True)
        raise BrokerDown("the connection was lost")

    async def ack(self, delivery: Delivery) -> None:
        """Acknowledge."""
        with _told():
            await _message(delivery).ack()

    async def later(self, delivery: Delivery, delay_s: float) -> None:
        """Put it aside at the broker for so long, then let the original go."""
        await self._move(delivery, f"{self._queue}.later", {}, expires_s=delay_s)

    async def dead(self, delivery: Delivery, problem: str, reason: str) -> None:
        """Publish to the dead queue, then let the original go."""
        marks = {"bagrelay-problem": problem, "bagrelay-reason": reason}
        await self._move(delivery, self._dead, marks, expires_s=None)

    async def _move(
        self, delivery: Delivery, to: str, marks: Mapping[str, str], *, expires_s: float | None
    ) -> None:
        assert self._channel is not None
        old = _message(delivery)
        kept = {n: v for n, v in (old.headers or {}).items() if not n.startswith("x-")}
        copy = aio_pika.Message(
            old.body,
            headers={**kept, **marks},
            content_type=old.content_type,
            message_id=old.message_id,
            delivery_mode=aio_pika.DeliveryMode.PERSISTENT,
            expiration=expires_s,
        )
        with _told():
            await self._channel.default_exchange.publish(copy, to, timeout=_ANSWER_S)
            await old.ack()

    async def close(self) -> None:
        """Let go; what is not acknowledged comes again."""
        self._channel = None
        await self._link.close()


class RabbitSink:
    """The gateway's own events: a topic exchange by type, and a queue that gets all of them."""

    def __init__(self, link: RabbitLink, name: str, *, binary: bool) -> None:
        self._link, self._name, self._binary = link, name, binary
        self._exchange: aio_pika.abc.AbstractExchange | None = None

    async def send(self, event: Event) -> None:
        """Publish, and wait until the broker confirms that a queue has it."""
        try:
            async with asyncio.timeout(2 * _ANSWER_S):
                if self._exchange is None or self._link.lost:
                    self._exchange = await self._connect()
                await self._exchange.publish(
                    _message_of(event, binary=self._binary), event.type, timeout=_ANSWER_S
                )
        except DeliveryError as error:
            raise Unavailable("the broker did not put it into a queue") from error
        except (BrokerDown, *_FAULTS) as error:
            self._exchange = None  # whatever it was, a new connection is the cure
            raise Unavailable(why_down(error)) from error
        except ValueError as error:
            raise NeverTakes(str(error)) from error

    async def _connect(self) -> aio_pika.abc.AbstractExchange:
        await self._link.close()
        channel = await self._link.open()
        exchange = await channel.declare_exchange(
            self._name, aio_pika.ExchangeType.TOPIC, durable=True
        )
        queue = await channel.declare_queue(self._name, durable=True, arguments=_QUORUM)
        await queue.bind(exchange, "#")
        return exchange

    async def close(self) -> None:
        """Let go of the connection."""
        self._exchange = None
        await self._link.close()


def _message(delivery: Delivery) -> AbstractIncomingMessage:
    message = delivery.handle
    assert isinstance(message, AbstractIncomingMessage)
    return message


def _delivery(message: AbstractIncomingMessage) -> Delivery:
    headers: dict[str, str] = {}
    for name, value in (message.headers or {}).items():
        for prefix in ("cloudEvents:", "cloudEvents_"):
            if name.startswith(prefix):
                headers[f"ce-{name.removeprefix(prefix).lower()}"] = header_value(str(value))
    if message.content_type:
        headers["content-type"] = message.content_type
    elif "ce-specversion" not in headers:
        headers["content-type"] = STRUCTURED
    counted = (message.headers or {}).get("x-delivery-count", 0)
    return Delivery(message.body, headers, int(str(counted)) + 1, message)


def _message_of(event: Event, *, binary: bool) -> aio_pika.Message:
    attributes = event.attributes()
    content_type = attributes.pop("datacontenttype") if binary else STRUCTURED
    headers = {f"cloudEvents:{n}": v for n, v in attributes.items()} if binary else {}
    return aio_pika.Message(
        event.data if binary else event.structured(),
        headers=dict(headers),
        content_type=content_type,
        message_id=event.id,
        delivery_mode=aio_pika.DeliveryMode.PERSISTENT,
    )


@contextlib.contextmanager
def _told() -> Iterator[None]:
    try:
        yield
    except _FAULTS as error:
        raise BrokerDown(why_down(error)) from error
