"""A line that is kept open between jobs: what most kinds on bytes share, and authors build on."""

import asyncio
import re
from collections.abc import AsyncIterator, Callable

from adapters.errors import FateUnknown, NothingSent
from adapters.line import Connect, Line, LineLost
from adapters.reports import Reports
from schemas.station import Signal

_LONGEST_ANSWER = 65536
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
_DO = "Look at its power and its cable."


class StandingLine:
    """Opens the line when it is needed, notices when the peer has gone, lets go when told.

    A subclass adds `from_settings`, `deliver` and `state`.
    """

    def __init__(self, station: str, connect: Connect) -> None:
        self.station = station
        self.reports = Reports()
        """What the station says by itself goes in here."""
        self._connect = connect
        self._line: Line | None = None
        self._connecting = asyncio.Lock()

    async def open(self) -> None:
        """Connect unless there is a living line."""
        await self.living()

    async def close(self) -> None:
        """Let go of the line; `signals` ends."""
        self.reports.end()
        # The listener may be connecting: its line must not outlive us.
        async with self._connecting:
            line, self._line = self._line, None
            if line is not None:
                await line.close()

    async def signals(self) -> AsyncIterator[Signal]:
        """What was put into `reports`, until the line is closed."""
        async for signal in self.reports.stream():
            yield signal

    async def living(self) -> Line:
        """The line, opened anew when the peer has closed it. Raises `NothingSent`.

        Stations close idle lines. Nothing was sent on the fresh one, so this is no retry.
        """
        async with self._connecting:
            if self._line is not None and self._line.ended():
                self.drop()
            if self._line is None:
                try:
                    self._line = await self._connect()
                except LineLost as lost:
                    raise NothingSent(f"station {self.station}: {lost.why}", do=_DO) from lost
                self.reports.begin()
            return self._line

    def drop(self) -> None:
        """Drop the line and whatever still waits to leave."""
        line, self._line = self._line, None
        if line is not None:
            line.abort()

    async def ask(self, data: bytes, whole: Callable[[bytes], bool], within_s: float) -> bytes:
        """Send once and read until the answer is whole.

        Raises `NothingSent` when no byte left, else `FateUnknown`; the line is dropped then, so
        that a late answer is never taken for the next one's. So is a line on which something else
        lies unread, before the send or behind the answer: each answer after it would be one late.
        A device that also reports on this line needs a reader that sorts both instead.
        """
        line, sent = await self._quiet(), 0
        try:
            async with asyncio.timeout(within_s):
                await line.write(data, within_s)
                sent = len(data)
                heard = await read_until(whole, line)
        except (LineLost, TimeoutError) as lost:
            self.drop()
            why = lost.why if isinstance(lost, LineLost) else f"no answer within {within_s:g} s"
            raise self.lost(why, max(sent, getattr(lost, "sent", 0))) from lost
        except BaseException:
            self.drop()
            raise
        await self._drop_if_more_came(line)
        return heard

    async def ask_line(self, data: bytes, within_s: float) -> str:
        """Send once and read one line of text, without its end. Raises what `ask` raises.

        What is more than one line, no UTF-8 or holds control characters is no answer: the line
        is dropped, and its fate is unknown.
        """
        heard = await self.ask(data, lambda heard: b"\n" in heard, within_s)
        text = _one_line(heard)
        if text is None:
            self.drop()
            raise self.lost(f"{heard[:40]!r} is no answer", len(data))
        return text

    async def _quiet(self) -> Line:
        """The line, opened anew where something lies on it that nobody asked for."""
        await self._drop_if_more_came(await self.living())
        return await self.living()

    async def _drop_if_more_came(self, line: Line) -> None:
        try:
            await line.read(1, 0)
        except TimeoutError:
            return
        except LineLost:
            pass
        # Something came, or the line is over: either way it is of no more use.
        if self._line is line:
            self.drop()

    def lost(self, why: str, sent: int) -> NothingSent | FateUnknown:
        """The error for a line that failed after so many bytes of a job."""
        where = f"station {self.station}: {why}"
        if sent == 0:
            return NothingSent(where, do=_DO)
        return FateUnknown(where, do="Look whether the label came out.", bytes_sent=sent)


async def read_until(whole: Callable[[bytes], bool], line: Line) -> bytes:
    """Read until the answer is whole, or too long to be one. Raises `LineLost` at the end."""
    heard = b""
    while not whole(heard) and len(heard) < _LONGEST_ANSWER:
        piece = await line.read(4096, None)
        if not piece:
            raise LineLost("the station hung up")
        heard += piece
    return heard


def _one_line(heard: bytes) -> str | None:
    """The text of exactly one line; nothing where it is none."""
    if heard.count(b"\n") != 1 or not heard.endswith(b"\n"):
        return None
    try:
        text = heard.decode().rstrip("\r\n")
    except UnicodeDecodeError:
        return None
    return None if _CONTROL.search(text) else text
