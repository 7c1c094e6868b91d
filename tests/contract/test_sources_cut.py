"""A reader whose line is cut, or who is paused, changes no order: the next one gets what it had
in hand first, before anything newer, over each real broker."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from urllib.parse import urlsplit

import nats
import pytest

from gateway.queues.port import BrokerDown, Delivery, Source
from tests.contract.test_sources import Bench, bench, rabbitmq, reading
from tests.rigs.cut_lines import CutLines

__all__ = ["bench", "rabbitmq"]

PATIENCE_S = 45.0
pytestmark = [
    pytest.mark.filterwarnings("ignore:coroutine 'Connection.close' was never awaited"),
    pytest.mark.filterwarnings(
        "ignore:Exception ignored in. <coroutine object Connection.close:"
        "pytest.PytestUnraisableExceptionWarning"
    ),
]


def _bodies(*numbers: int) -> list[bytes]:
    return [f'{{"n": {number}}}'.encode() for number in numbers]


async def _some(deliveries: AsyncIterator[Delivery], many: int) -> list[Delivery]:
    async with asyncio.timeout(PATIENCE_S):
        return [await anext(deliveries) for _ in range(many)]


async def _line(bench: Bench, lines: CutLines) -> Source:
    """A source that reaches its broker by a line that can be cut."""
    where = urlsplit(bench.queue.url)
    if bench.server is None:
        pytest.skip("memory has no line")
    port = await lines.open("line", "127.0.0.1", bench.server.port)
    return bench.source(url=f"{where.scheme}://127.0.0.1:{port}")


@pytest.mark.parametrize("how", ["cut", "frozen"])
async def test_what_was_in_hand_comes_first(bench: Bench, how: str) -> None:
    """Three in hand, two acknowledged of none; newer ones wait their turn behind them."""
    async with CutLines() as lines:
        first = await _line(bench, lines)
        await first.open()
        deliveries = first.deliveries()
        try:
            asking = asyncio.ensure_future(_some(deliveries, 3))
            await bench.put(*_bodies(1, 2, 3))
            assert _bodies(1, 2, 3) == [one.body for one in await asking]
            if how == "cut":
                await lines.cut("line")
            else:
                await lines.freeze("line", PATIENCE_S)
            await bench.put(*_bodies(4, 5))
            second = bench.source()
            async with reading(second) as anew:
                again = await _some(anew, 5)
                for one in again:
                    await second.ack(one)
            assert _bodies(1, 2, 3, 4, 5) == [one.body for one in again]
        finally:
            with contextlib.suppress(BrokerDown):
                await first.close()


async def test_message_that_got_lost_on_its_way_comes_before_newer_ones(bench: Bench) -> None:
    """NATS numbers what it hands out: a reader that misses a number takes nothing newer."""
    if bench.kind != "nats":
        pytest.skip("pulled from NATS only")
    first = bench.source()
    await first.open()
    deliveries = first.deliveries()
    asking = asyncio.ensure_future(_some(deliveries, 1))
    await bench.put(*_bodies(1))
    assert _bodies(1) == [one.body for one in await asking]
    async with await nats.connect(bench.url) as thief:
        stream = thief.jetstream()
        name = await stream.find_stream_name_by_subject(str(bench.queue.take_from))
        (consumer,) = await stream.consumers_info(name)
        stealing = await stream.pull_subscribe_bind(consumer.name, name)
        await bench.put(*_bodies(2))
        assert _bodies(2) == [one.data for one in await stealing.fetch(1, timeout=PATIENCE_S)]
    await bench.put(*_bodies(3))
    with pytest.raises(BrokerDown, match="got lost"):
        await _some(deliveries, 1)
    await first.close()
    second = bench.source()
    async with reading(second) as anew:
        again = await _some(anew, 3)
        for one in again:
            await second.ack(one)
    assert _bodies(1, 2, 3) == [one.body for one in again]
