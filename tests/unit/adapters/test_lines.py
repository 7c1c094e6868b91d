"""Byte lines: what is counted, what is told, and that both sorts tell the same."""

import asyncio
import socket
from collections.abc import AsyncIterator

import pytest

from adapters.line import Line, LineLost, LineScript, TcpLine, memory_pair
from adapters.standing_line import StandingLine

Pair = tuple[Line, Line]


async def _tcp_pair() -> Pair:
    listener = socket.create_server(("127.0.0.1", 0))
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 8192)
        near = await TcpLine.connect(*listener.getsockname()[:2], within_s=2)
        return near, TcpLine(listener.accept()[0])
    finally:
        listener.close()


@pytest.fixture(params=["memory", "tcp"])
async def pair(request: pytest.FixtureRequest) -> AsyncIterator[Pair]:
    """Two ends of one line."""
    both: Pair = memory_pair() if request.param == "memory" else await _tcp_pair()
    yield both
    for end in both:
        end.abort()


async def test_bytes_cross_both_ways(pair: Pair) -> None:
    """What is written at one end is read at the other."""
    near, far = pair
    await near.write(b"there", 1)
    await far.write(b"back", 1)
    assert (await far.read(99, 1), await near.read(99, 1)) == (b"there", b"back")


async def test_end_of_the_peer_is_seen(pair: Pair) -> None:
    """Closed in order: the end is read as nothing, and `ended` knows before a write."""
    near, far = pair
    assert not near.ended()
    await far.close()
    assert await near.read(9, 1) == b""
    assert near.ended()


async def test_reset_of_the_peer_is_a_fault(pair: Pair) -> None:
    """Dropped: the reader hears of it, and so does `watch`."""
    near, far = pair
    far.abort()
    with pytest.raises(LineLost):
        await near.watch(1)
    assert near.ended()


async def test_reset_that_came_while_the_loop_was_busy_is_no_silence(pair: Pair) -> None:
    """The time to watch is over when the loop comes to it, and the reset is there all the same."""
    near, far = pair
    far.abort()
    with pytest.raises(LineLost):
        await near.watch(0)


async def test_silence_is_a_late_answer(pair: Pair) -> None:
    """Nothing came in time."""
    with pytest.raises(TimeoutError):
        await pair[0].read(9, 0.01)


async def test_peer_that_reads_nothing_stops_the_write_and_the_count_is_told(pair: Pair) -> None:
    """Some bytes left and not all: the count lies in between."""
    data = bytes(20_000_000)
    with pytest.raises(LineLost) as lost:
        await pair[0].write(data, 0.2)
    assert 0 < lost.value.sent <= len(data)


async def test_closed_while_it_is_read_the_reader_hears_of_it(pair: Pair) -> None:
    """Our own side drops the line under a reader: it ends with a fault, never hangs."""
    reading = asyncio.create_task(pair[0].read(9, None))
    await asyncio.sleep(0)
    pair[0].abort()
    with pytest.raises(LineLost):
        await asyncio.wait_for(reading, 2)


async def test_written_to_a_dropped_line_nothing_is_sent(pair: Pair) -> None:
    """The count is zero, so that a repeat is safe."""
    pair[0].abort()
    with pytest.raises(LineLost) as lost:
        await pair[0].write(b"label", 1)
    assert lost.value.sent == 0


async def test_script_cuts_after_so_many_bytes() -> None:
    """The in-memory line is cut where its script says, and the count is exact."""
    near, far = memory_pair(LineScript(cut_after=7, at_a_time=2))
    with pytest.raises(LineLost) as lost:
        await near.write(b"0123456789", 1)
    assert lost.value.sent == 7
    assert await far.read(99, 1) == b"0123456"
    with pytest.raises(LineLost):
        await far.read(99, 1)


async def test_adapter_closed_while_it_connects_keeps_no_line() -> None:
    """The listener was connecting when the adapter was closed: its line is let go of, too."""
    near, far = memory_pair()
    begun, go_on = asyncio.Event(), asyncio.Event()

    async def connect() -> Line:
        begun.set()
        await go_on.wait()
        return near

    adapter = StandingLine("s", connect)
    opening = asyncio.create_task(adapter.open())
    await begun.wait()
    closing = asyncio.create_task(adapter.close())
    await asyncio.sleep(0)
    go_on.set()
    await asyncio.gather(opening, closing)
    assert far.ended()


async def test_refused_connection_is_told_with_its_address() -> None:
    """Nobody listens there."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(LineLost, match=f"127.0.0.1:{port}"):
        await TcpLine.connect("127.0.0.1", port, 1)
