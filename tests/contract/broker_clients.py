"""What stands outside at a broker: a sender and a reader, on the client libraries themselves.

Nothing of the gateway is used here, so that both ends can't be wrong in the same way.
"""

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from urllib.parse import unquote, urlsplit

import aio_pika
import nats
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from tenacity import AsyncRetrying, retry_if_exception_type, stop_after_delay, wait_fixed

STRUCTURED = "application/cloudevents+json"


@dataclass(frozen=True)
class Seen:
    """One message as the broker handed it out."""

    body: bytes
    content_type: str | None = None
    headers: Mapping[str, str] = field(default_factory=dict)


async def publish(
    url: str,
    address: str,
    *bodies: bytes,
    content_type: str | None = STRUCTURED,
    headers: Mapping[str, str] | None = None,
) -> None:
    """Publish; returns once the broker said that it has all of them."""
    scheme = urlsplit(url).scheme
    if scheme == "nats":
        await _publish_nats(url, address, bodies, content_type, dict(headers or {}))
    elif scheme == "amqp":
        await _publish_rabbitmq(url, address, bodies, content_type, dict(headers or {}))
    else:
        marks = list((headers or {}).items())
        await asyncio.to_thread(_publish_mqtt, url, address, bodies, content_type, marks)


async def _publish_nats(
    url: str,
    address: str,
    bodies: Sequence[bytes],
    content_type: str | None,
    headers: dict[str, str],
) -> None:
    client = await nats.connect(url)
    about = {**headers, **({"content-type": content_type} if content_type else {})}
    for body in bodies:
        await client.jetstream().publish(address, body, headers=about or None)
    await client.close()


async def _rabbitmq(url: str) -> aio_pika.abc.AbstractConnection:
    """A connection; a broker that was just started again may reset the first ones."""
    async for attempt in AsyncRetrying(
        retry=retry_if_exception_type(ConnectionError),
        wait=wait_fixed(0.2),
        stop=stop_after_delay(20),
        reraise=True,
    ):
        with attempt:
            return await aio_pika.connect(url)
    raise AssertionError("unreachable")


async def _publish_rabbitmq(
    url: str,
    address: str,
    bodies: Sequence[bytes],
    content_type: str | None,
    headers: dict[str, str],
) -> None:
    async with await _rabbitmq(url) as connection:
        channel = await connection.channel()
        for body in bodies:
            message = aio_pika.Message(body, headers=dict(headers), content_type=content_type)
            await channel.default_exchange.publish(message, address)


def _publish_mqtt(
    url: str,
    address: str,
    bodies: Sequence[bytes],
    content_type: str | None,
    marks: list[tuple[str, str]],
) -> None:
    where = urlsplit(url)
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.connect(where.hostname or "", where.port or 1883)
    client.loop_start()
    about = Properties(PacketTypes.PUBLISH)
    if content_type:
        about.ContentType = content_type
    if marks:
        about.UserProperty = marks
    for body in bodies:
        client.publish(address, body, qos=1, properties=about).wait_for_publish(20)
    client.disconnect()
    client.loop_stop()


class Reader:
    """Reads an address from now on; used as a context."""

    def __init__(self, url: str, address: str) -> None:
        self._url, self._address = url, address
        self._came: asyncio.Queue[Seen] = asyncio.Queue()
        self._closers: list[object] = []

    async def next(self) -> Seen:
        """The next message."""
        async with asyncio.timeout(30):
            return await self._came.get()

    async def __aenter__(self) -> "Reader":
        scheme = urlsplit(self._url).scheme
        if scheme == "nats":
            await self._open_nats()
        elif scheme == "amqp":
            await self._open_rabbitmq()
        else:
            await self._open_mqtt()
        return self

    async def __aexit__(self, *problem: object) -> None:
        scheme = urlsplit(self._url).scheme
        if scheme == "nats":
            await self._nats.close()
        elif scheme == "amqp":
            await self._connection.close()
        else:
            await asyncio.to_thread(self._mqtt.disconnect)
            await asyncio.to_thread(self._mqtt.loop_stop)

    async def _open_nats(self) -> None:
        self._nats = await nats.connect(self._url)

        # a plain subscription sees what is published while it is there, stream or none
        async def came(message: nats.aio.msg.Msg) -> None:
            headers = {n.lower(): unquote(v) for n, v in (message.headers or {}).items()}
            self._came.put_nowait(Seen(message.data, headers.pop("content-type", None), headers))

        await self._nats.subscribe(self._address, cb=came)
        await self._nats.flush()

    async def _open_rabbitmq(self) -> None:
        self._connection = await _rabbitmq(self._url)
        channel = await self._connection.channel()
        queue = await channel.declare_queue(
            self._address, durable=True, arguments={"x-queue-type": "quorum"}
        )

        async def came(message: aio_pika.abc.AbstractIncomingMessage) -> None:
            headers = {str(n): str(v) for n, v in (message.headers or {}).items()}
            self._came.put_nowait(Seen(message.body, message.content_type, headers))
            await message.ack()

        await queue.consume(came)

    async def _open_mqtt(self) -> None:
        where, loop = urlsplit(self._url), asyncio.get_running_loop()
        self._mqtt = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        ready = asyncio.Event()

        def came(_client: object, _data: object, message: paho.MQTTMessage) -> None:
            about = message.properties
            seen = Seen(
                bytes(message.payload),
                getattr(about, "ContentType", None),
                dict(getattr(about, "UserProperty", [])),
            )
            loop.call_soon_threadsafe(self._came.put_nowait, seen)

        self._mqtt.on_message = came
        self._mqtt.on_subscribe = lambda *_: loop.call_soon_threadsafe(ready.set)
        await asyncio.to_thread(self._mqtt.connect, where.hostname or "", where.port or 1883)
        self._mqtt.loop_start()
        self._mqtt.subscribe(self._address, qos=1)
        await ready.wait()
