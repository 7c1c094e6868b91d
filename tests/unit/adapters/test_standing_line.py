"""A line kept between jobs: an answer is never taken for another question's."""

import asyncio
from contextlib import suppress

import pytest

from adapters.errors import FateUnknown, NothingSent
from adapters.line import Line, LineLost, MemoryLine, memory_pair
from adapters.standing_line import StandingLine


class _FarEnd:
    """Each connect makes a fresh line; the test holds its far ends."""

    def __init__(self) -> None:
        self.lines: list[MemoryLine] = []

    async def connect(self) -> Line:
        near, far = memory_pair()
        self.lines.append(far)
        return near

    async def answers(self, *pieces: bytes) -> None:
        """Read one question on the newest line and answer it piece by piece."""
        line = self.lines[-1]
        await line.read(4096, 1)
        for piece in pieces:
            # Cut amid it where the adapter has heard enough.
            with suppress(LineLost):
                await line.write(piece, 1)


async def _asked(adapter: StandingLine, far: _FarEnd, *pieces: bytes) -> str:
    """One question, with its answer under way."""
    asking = asyncio.create_task(adapter.ask_line(b"?\n", 0.3))
    await asyncio.sleep(0.01)
    await far.answers(*pieces)
    return await asking


async def test_answer_is_one_line_without_its_end() -> None:
    """Whatever the line end is, and in whatever pieces it comes."""
    far = _FarEnd()
    adapter = StandingLine("s", far.connect)
    assert "DONE 1" == await _asked(adapter, far, b"DONE", b" 1\r\n")
    assert "袋" == await _asked(adapter, far, "袋\n".encode())
    assert 1 == len(far.lines)
    await adapter.close()


async def test_line_with_something_unread_is_opened_anew() -> None:
    """What nobody asked for would shift every later answer by one."""
    far = _FarEnd()
    adapter = StandingLine("s", far.connect)
    await adapter.open()
    await far.lines[0].write(b"LOW labels\n", 1)
    assert "DONE 1" == await _asked(adapter, far, b"DONE 1\n")
    assert 2 == len(far.lines)
    assert far.lines[0].ended()
    await adapter.close()


async def test_line_is_dropped_when_more_than_the_answer_came() -> None:
    """The answer counts, and the line is not used again."""
    far = _FarEnd()
    adapter = StandingLine("s", far.connect)
    heard = asyncio.create_task(adapter.ask(b"?", lambda heard: len(heard) >= 4096, 0.3))
    await asyncio.sleep(0.01)
    await far.answers(b"x" * 4096 + b"more")
    assert b"x" * 4096 == await heard
    assert far.lines[0].ended()
    assert "DONE 2" == await _asked(adapter, far, b"DONE 2\n")
    assert 2 == len(far.lines)
    await adapter.close()


@pytest.mark.parametrize(
    "said", [b"LOW labels\nDONE 1\n", b"DONE 1\nLOW", b"\xff\n", b"DONE \x00\n", b"x" * 70000]
)
async def test_what_is_no_single_line_of_text_is_no_answer(said: bytes) -> None:
    """Nothing proves then what became of the job, and the line is dropped."""
    far = _FarEnd()
    adapter = StandingLine("s", far.connect)
    with pytest.raises(FateUnknown) as unknown:
        await _asked(adapter, far, said)
    assert 2 == unknown.value.bytes_sent
    assert far.lines[0].ended()
    await adapter.close()


async def test_peer_that_closes_behind_its_answer_is_believed() -> None:
    """Some devices close the line after each: the next question gets a fresh one."""
    far = _FarEnd()
    adapter = StandingLine("s", far.connect)
    asking = asyncio.create_task(adapter.ask_line(b"?\n", 0.3))
    await asyncio.sleep(0.01)
    await far.answers(b"DONE 1\n")
    await far.lines[0].close()
    assert "DONE 1" == await asking
    assert "DONE 2" == await _asked(adapter, far, b"DONE 2\n")
    assert 2 == len(far.lines)
    await adapter.close()


async def test_line_that_breaks_before_the_send_has_sent_nothing() -> None:
    """It is opened anew; where nobody listens any more, nothing was sent."""
    far = _FarEnd()
    adapter = StandingLine("s", far.connect)
    await adapter.open()
    far.lines[0].abort()
    assert "DONE 1" == await _asked(adapter, far, b"DONE 1\n")
    with pytest.raises(FateUnknown):
        await adapter.ask_line(b"?\n", 0.05)
    far.lines[-1].abort()

    async def refuse() -> Line:
        raise NothingSent("nobody there")

    adapter._connect = refuse
    with pytest.raises(NothingSent):
        await adapter.ask_line(b"?\n", 0.05)
