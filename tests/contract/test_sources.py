"""Every source keeps the port's promises: the same suite over memory and over each real broker.

The memory source is the port in its plainest form; what holds for it must hold for NATS JetStream,
RabbitMQ and MQTT 5, whose servers are started here and killed where the law is about that.
"""

import asyncio
import contextlib
import os
import secrets
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from cloudevents.core.formats.json import JSONFormat

from gateway.queues.handle import read_one
from gateway.queues.port import STRUCTURED, BrokerDown, Delivery, Event, Sink, Source, Unavailable
from gateway.queues.ways import make_sink, make_source
from schemas.events import BagAdvanced
from schemas.queues import Queue
from tests.contract.broker_clients import Reader, publish
from tests.contract.memory_queue import MemoryBroker
from tests.rigs.servers import Mosquitto, Nats, NotInstalled, RabbitMq, Server

PATIENCE_S = 30.0
KINDS: dict[str, type[Server] | None] = {
    "memory": None, "nats": Nats, "rabbitmq": RabbitMq, "mqtt": Mosquitto,
}  # fmt: skip


class Bench:
    """One broker with one queue of it, and what the outside does there."""

    def __init__(self, kind: str, server: Server | None) -> None:
        self.kind = kind
        self.server = server
        self.memory = MemoryBroker()
        name = secrets.token_hex(4)
        url = "nats://127.0.0.1:1" if server is None else str(server.url)  # type: ignore[attr-defined]
        self.url, self.environment = url, {"SECRET": "guest"}
        known = {"user": "guest", "password_env": "SECRET"} if kind == "rabbitmq" else {}
        self.queue = Queue(
            id=f"q{name}",
            url=url.replace("guest:guest@", ""),
            take_from=f"in.{name}",
            send_to=f"out.{name}",
            dead=f"dead.{name}",
            prefetch=10,
            **known,  # type: ignore[arg-type]
        )

    def source(self, **change: object) -> Source:
        """A new source on the queue."""
        queue = self.queue.model_copy(update=change)
        if self.server is None:
            return self.memory.source(str(queue.take_from), str(queue.dead), queue.prefetch)
        return make_source(queue, self.environment)

    async def put(self, *bodies: bytes) -> None:
        """What a sender does: publish and know that the broker has it."""
        if self.server is None:
            self.memory.put(str(self.queue.take_from), *bodies)
        else:
            await publish(self.url, str(self.queue.take_from), *bodies)

    def sink(self, *, binary: bool = False) -> Sink:
        """A sink whose target is the queue's outgoing address."""
        return make_sink(self.queue.model_copy(update={"binary": binary}), self.environment, "test")


@pytest.fixture(scope="module")
def rabbitmq(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """It takes seconds to start, so once."""
    yield from _server(RabbitMq, tmp_path_factory.mktemp("rabbitmq"))


def _server(make: Callable[[Path], Server], folder: Path) -> Iterator[Server]:
    try:
        server = make(folder)
        server.start()
    except NotInstalled as missing:
        pytest.fail(str(missing)) if os.environ.get("CI") else pytest.skip(str(missing))
    try:
        yield server
    finally:
        server.close()


@pytest.fixture(params=sorted(KINDS))
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Bench]:
    """Each kind of broker in turn, with an empty queue."""
    kind: str = request.param
    made = KINDS[kind]
    if made is None:
        yield Bench(kind, None)
    elif made is RabbitMq:
        yield Bench(kind, request.getfixturevalue("rabbitmq"))
    else:
        for server in _server(made, tmp_path):
            yield Bench(kind, server)


@asynccontextmanager
async def reading(source: Source) -> AsyncIterator[AsyncIterator[Delivery]]:
    """Open a source; close it whatever happens."""
    await source.open()
    try:
        yield source.deliveries()
    finally:
        await source.close()


async def _next(deliveries: AsyncIterator[Delivery]) -> Delivery:
    async with asyncio.timeout(PATIENCE_S):
        return await anext(deliveries)


async def _declared(bench: Bench) -> None:
    """Brokers keep messages only for whom they know: let the queue be known first."""
    async with reading(bench.source()):
        pass


async def test_messages_come_in_their_order(bench: Bench) -> None:
    """What was published first is delivered first, each body as it was."""
    await _declared(bench)
    bodies = [f'{{"n": {n}}}'.encode() for n in range(5)]
    await bench.put(*bodies)
    source = bench.source()
    async with reading(source) as deliveries:
        came = [await _next(deliveries) for _ in bodies]
        for delivery in came:
            await source.ack(delivery)
    assert bodies == [delivery.body for delivery in came]


async def test_unacknowledged_message_comes_again(bench: Bench) -> None:
    """A reader that went without acknowledging has lost nothing: the next one gets it."""
    await _declared(bench)
    await bench.put(b'{"n": 1}')
    async with reading(bench.source()) as deliveries:
        await _next(deliveries)
    source = bench.source()
    async with reading(source) as deliveries:
        again = await _next(deliveries)
        await source.ack(again)
    assert b'{"n": 1}' == again.body


async def test_acknowledged_message_is_gone(bench: Bench) -> None:
    """After the acknowledgement the next reader gets what comes next, not the same again."""
    await _declared(bench)
    await bench.put(b'{"n": 1}')
    source = bench.source()
    async with reading(source) as deliveries:
        await source.ack(await _next(deliveries))
    await bench.put(b'{"n": 2}')
    source = bench.source()
    async with reading(source) as deliveries:
        came = await _next(deliveries)
        await source.ack(came)
    assert b'{"n": 2}' == came.body


async def test_message_put_off_comes_again_and_lets_others_by(bench: Bench) -> None:
    """Handed back for later: what is behind it comes first, then it comes itself."""
    await _declared(bench)
    await bench.put(b'{"n": 1}', b'{"n": 2}')
    source = bench.source()
    async with reading(source) as deliveries:
        first, second = await _next(deliveries), await _next(deliveries)
        await asyncio.gather(source.later(first, 0.3), source.ack(second))
        again = await _next(deliveries)
        await source.ack(again)
    assert [b'{"n": 1}', b'{"n": 2}', b'{"n": 1}'] == [first.body, second.body, again.body]


async def test_dead_message_carries_its_reason(bench: Bench) -> None:
    """What is given up stands at the dead address with problem and reason, and is gone."""
    await _declared(bench)
    await bench.put(b"no event", b'{"n": 2}')
    source = bench.source()
    told = ("urn:bagrelay:problem:malformed", "it isn't JSON — at all")
    async with reading(source) as deliveries, dead_letters(bench) as next_dead:
        poison, good = await _next(deliveries), await _next(deliveries)
        await source.dead(poison, *told)
        await source.ack(good)
        assert (b"no event", *told) == await next_dead()


@asynccontextmanager
async def dead_letters(
    bench: Bench,
) -> AsyncIterator[Callable[[], Awaitable[tuple[bytes, str, str]]]]:
    """Reads the dead address from outside, by the broker's own client library."""
    if bench.server is None:

        async def from_memory() -> tuple[bytes, str, str]:
            return bench.memory.dead[0]

        yield from_memory
        return
    async with Reader(bench.url, bench.queue.dead) as reader:

        async def from_broker() -> tuple[bytes, str, str]:
            seen = await reader.next()
            return seen.body, seen.headers["bagrelay-problem"], seen.headers["bagrelay-reason"]

        yield from_broker


async def test_no_more_in_hand_than_asked(bench: Bench) -> None:
    """With a prefetch of two a third message waits at the broker until one is acknowledged."""
    await _declared(bench)
    await bench.put(*(f'{{"n": {n}}}'.encode() for n in range(3)))
    source = bench.source(prefetch=2)
    async with reading(source) as deliveries:
        first, second = await _next(deliveries), await _next(deliveries)
        third = asyncio.ensure_future(anext(deliveries))
        done, _ = await asyncio.wait([third], timeout=0.3)
        assert not done
        await source.ack(first)
        async with asyncio.timeout(PATIENCE_S):
            await source.ack(await third)
        await source.ack(second)


async def test_killed_broker_is_told_and_keeps_what_it_had(bench: Bench) -> None:
    """A power cut at the broker ends the source; after the restart the message comes once more."""
    if bench.server is None:
        pytest.skip("memory can't be killed")
    await _declared(bench)
    await bench.put(b'{"n": 1}')
    source = bench.source()
    async with reading(source) as deliveries:
        await _next(deliveries)
        if bench.kind == "mqtt":
            await asyncio.to_thread(bench.server.stop)  # this broker writes its disk when it ends
        else:
            await asyncio.to_thread(bench.server.kill)
        with pytest.raises(BrokerDown):
            await _next(deliveries)
    with pytest.raises(BrokerDown):
        await bench.source().open()
    await asyncio.to_thread(bench.server.start)
    source = bench.source()
    async with reading(source) as deliveries:
        async with asyncio.timeout(60):
            again = await anext(deliveries)
        await source.ack(again)
    assert b'{"n": 1}' == again.body


@pytest.mark.parametrize("binary", [False, True], ids=["structured", "binary"])
async def test_sink_speaks_the_binding(bench: Bench, binary: bool) -> None:
    """An own event arrives as CloudEvents 1.0.2 has it for this broker, in either mode.

    Source: the CloudEvents bindings for NATS, AMQP and MQTT; the prefix of an attribute is `ce-`,
    `cloudEvents:` and none. An independent reader, the cloudevents package, agrees on the
    structured form.
    """
    if bench.server is None:
        pytest.skip("memory has no binding")
    event = Event(
        number=7, id="7-abc", source="/bagrelay/room-1", type="bagrelay.job.moved.v1",
        subject="Auftrag 1 €", time=datetime(2026, 1, 5, 6, tzinfo=UTC), data=b'{"text":"x"}',
    )  # fmt: skip
    sink = bench.sink(binary=binary)
    with contextlib.suppress(Unavailable):
        await sink.send(event)  # makes what is missing at the broker
    async with Reader(bench.url, str(bench.queue.send_to)) as reader:
        if bench.kind != "rabbitmq":  # its queue keeps the first one for the reader
            await sink.send(replace(event, id="7-abd") if bench.kind == "nats" else event)
        seen = await reader.next()
    await sink.close()
    expected = {
        "specversion": "1.0", "source": "/bagrelay/room-1", "type": "bagrelay.job.moved.v1",
        "subject": "Auftrag 1 €", "time": "2026-01-05T06:00:00.000000Z",
    }  # fmt: skip
    if binary:
        prefix = {"nats": "ce-", "rabbitmq": "cloudEvents:", "mqtt": ""}[bench.kind]
        named = {n.removeprefix(prefix): v for n, v in seen.headers.items() if n.startswith(prefix)}
        assert expected == {name: named.get(name) for name in expected}
        assert ("application/json", b'{"text":"x"}') == (seen.content_type, seen.body)
    else:
        assert STRUCTURED == seen.content_type
        read = JSONFormat().read(None, seen.body)
        assert expected["subject"] == read.get_subject()
        assert (expected["source"], expected["type"]) == (read.get_source(), read.get_type())
        assert {"text": "x"} == read.get_data()


async def test_binary_message_is_read_by_the_binding(bench: Bench) -> None:
    """Attributes in headers or user properties, data as the body: the same event comes of it."""
    if bench.server is None:
        pytest.skip("memory has no binding")
    await _declared(bench)
    prefix = {"nats": "ce-", "rabbitmq": "cloudEvents:", "mqtt": ""}[bench.kind]
    plain = "Tor%203" if bench.kind == "nats" else "Tor 3"  # the form of the HTTP binding
    attributes = {
        "specversion": "1.0", "id": "1", "source": "/line", "type": "bagrelay.bag.advanced.v1",
        "subject": plain,
    }  # fmt: skip
    await publish(
        bench.url,
        str(bench.queue.take_from),
        b'{"station": "s1"}',
        content_type="application/json",
        headers={f"{prefix}{name}": value for name, value in attributes.items()},
    )
    source = bench.source()
    async with reading(source) as deliveries:
        delivery = await _next(deliveries)
        await source.ack(delivery)
    incoming = read_one(delivery.headers, delivery.body, 1000)
    assert ("1", "/line", "Tor 3") == (
        incoming.event.id, incoming.event.source, incoming.event.subject,
    )  # fmt: skip
    assert BagAdvanced(station="s1") == incoming.data
