"""Both far ends of a queue at a broker that comes and goes, on the client libraries themselves."""

import asyncio
import contextlib
import json
import logging
from collections.abc import AsyncIterator
from typing import Any, Protocol
from urllib.parse import urlsplit

import aio_pika
import nats
from nats.errors import Error as NatsError

# a broker that is away is no news here
for _name in ("aio_pika", "aiormq"):
    logging.getLogger(_name).setLevel(logging.CRITICAL)

STRUCTURED = "application/cloudevents+json"
_ANSWER_S = 3.0
_QUIET_S = 2.0
_FAULTS = (NatsError, aio_pika.exceptions.AMQPError, OSError, TimeoutError, RuntimeError)


class Publisher(Protocol):
    """Puts events where a gateway takes them."""

    async def put(self, body: bytes) -> bool:
        """Whether the broker said that it has it; if not, it may have it all the same."""
        ...

    async def close(self) -> None:
        """Let go of the broker."""
        ...


def publisher(url: str, address: str) -> Publisher:
    """One for the kind of broker that the URL means."""
    nats_kind = urlsplit(url).scheme == "nats"
    return _NatsPublisher(url, address) if nats_kind else _RabbitPublisher(url, address)


class _NatsPublisher:
    def __init__(self, url: str, address: str) -> None:
        self._url, self._address = url, address
        self._client: nats.aio.client.Client | None = None
        self._connecting = asyncio.Lock()

    async def put(self, body: bytes) -> bool:
        try:
            async with asyncio.timeout(_ANSWER_S):
                async with self._connecting:
                    if self._client is None or not self._client.is_connected:
                        await self.close()
                        self._client = await nats.connect(
                            self._url, allow_reconnect=False, error_cb=_quiet
                        )
                await self._client.jetstream().publish(
                    self._address, body, headers={"content-type": STRUCTURED}
                )
        except _FAULTS:
            return False
        return True

    async def close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            with contextlib.suppress(*_FAULTS):
                await client.close()


class _RabbitPublisher:
    def __init__(self, url: str, address: str) -> None:
        self._url, self._address = url, address
        self._connection: aio_pika.abc.AbstractConnection | None = None
        self._channel: aio_pika.abc.AbstractChannel | None = None
        self._connecting = asyncio.Lock()

    async def put(self, body: bytes) -> bool:
        message = aio_pika.Message(
            body, content_type=STRUCTURED, delivery_mode=aio_pika.DeliveryMode.PERSISTENT
        )
        try:
            async with asyncio.timeout(_ANSWER_S):
                async with self._connecting:
                    if self._channel is None or self._channel.is_closed:
                        await self.close()
                        self._connection = await aio_pika.connect(self._url)
                        self._channel = await self._connection.channel()
                await self._channel.default_exchange.publish(message, self._address)
        except _FAULTS:
            self._channel = None
            return False
        return True

    async def close(self) -> None:
        connection, self._connection, self._channel = self._connection, None, None
        if connection is not None:
            with contextlib.suppress(*_FAULTS):
                async with asyncio.timeout(_ANSWER_S):
                    await connection.close()


async def _quiet(_error: Exception) -> None:
    return


async def sent(url: str, address: str) -> list[dict[str, Any]]:
    """Every event that lies at the address, in the order in which the broker has them."""
    kept = _nats_kept(url, address) if url.startswith("nats") else _rabbit_kept(url, address)
    return [json.loads(body) async for body in kept]


async def _nats_kept(url: str, address: str) -> AsyncIterator[bytes]:
    client = await nats.connect(url)
    try:
        reading = await client.jetstream().pull_subscribe(address)
        while True:
            try:
                messages = await reading.fetch(500, timeout=_QUIET_S)
            except TimeoutError:
                return
            for message in messages:
                yield message.data
                await message.ack()
    finally:
        await client.close()


async def _rabbit_kept(url: str, address: str) -> AsyncIterator[bytes]:
    async with await aio_pika.connect(url) as connection:
        channel = await connection.channel()
        queue = await channel.get_queue(address)
        while True:
            message = await queue.get(fail=False)
            if message is None:
                return
            yield message.body
            await message.ack()
