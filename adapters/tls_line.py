"""TLS on a byte line, so that what is counted and acknowledged below stays what decides."""

import asyncio
import ssl
from contextlib import suppress

from adapters.errors import Misconfigured
from adapters.line import LineLost, TcpLine
from adapters.why_lost import why_lost

_FIRST_WORDS_S = 0.1
"""Within this a far end that refuses our certificate says so: a round trip, and its own work."""


class TlsLine:
    """See `adapters.line.Line`. Bytes count as sent once any of their record left us."""

    def __init__(self, below: TcpLine, context: ssl.SSLContext, host: str) -> None:
        self._below = below
        self._in, self._out = ssl.MemoryBIO(), ssl.MemoryBIO()
        self._tls = context.wrap_bio(self._in, self._out, server_hostname=host)
        self._plain = bytearray()
        self._closed = False

    @classmethod
    async def connect(
        cls, host: str, port: int, within_s: float, context: ssl.SSLContext
    ) -> "TlsLine":
        """Connect and shake hands; raises `LineLost`, or `Misconfigured` where it can't trust."""
        below = await TcpLine.connect(host, port, within_s)
        line = cls(below, context, host)
        try:
            async with asyncio.timeout(within_s):
                await line._shake_hands(within_s)
            await line._welcome()
        except ssl.SSLCertVerificationError as wrong:
            below.abort()
            raise Misconfigured(
                f"{host}:{port} shows a certificate that is not trusted: {wrong.verify_message}",
                do="Check ca_file and the host's name in the site file.",
            ) from wrong
        except (LineLost, ssl.SSLError, TimeoutError) as lost:
            below.abort()
            why = lost.why if isinstance(lost, LineLost) else why_lost(lost)
            raise LineLost(f"{host}:{port}, TLS: {why}") from lost
        except BaseException:
            below.abort()
            raise
        return line

    async def write(self, data: bytes, within_s: float) -> None:
        """See `Line.write`."""
        try:
            self._tls.write(data)
        except ssl.SSLError as fault:
            raise LineLost(why_lost(fault)) from fault
        try:
            await self._flush(within_s)
        except LineLost as lost:
            raise LineLost(lost.why, min(lost.sent, len(data))) from lost

    async def read(self, most: int, within_s: float | None) -> bytes:
        """See `Line.read`."""
        async with asyncio.timeout(within_s):
            while not self._plain and not self._closed:
                self._digest(await self._below.read(16384, None))
        piece = bytes(self._plain[:most])
        del self._plain[:most]
        return piece

    def ended(self) -> bool:
        """See `Line.ended`."""
        try:
            while (heard := self._below.waiting()) is not None and not self._closed:
                self._digest(heard)
        except LineLost:
            return True
        return self._closed and not self._plain

    async def watch(self, for_s: float, *, until_heard: bool = False) -> None:
        """See `Line.watch`. A refusal in TLS's own words is a lost line too."""
        loop = asyncio.get_running_loop()
        ends = loop.time() + for_s
        while not self._closed and (left := ends - loop.time()) > 0:
            await self._below.watch(left)
            heard = self._below.waiting()
            if heard is None:
                return
            self._digest(heard)
            if until_heard:
                return

    async def close(self) -> None:
        """See `Line.close`. Says goodbye in TLS, and does not wait for the answer."""
        with suppress(ssl.SSLError, ValueError):
            self._tls.unwrap()
        with suppress(LineLost):
            await self._flush(1.0)
        await self._below.close()

    def abort(self) -> None:
        """See `Line.abort`."""
        self._below.abort()

    async def _shake_hands(self, within_s: float) -> None:
        while True:
            try:
                self._tls.do_handshake()
            except ssl.SSLWantReadError:
                await self._flush(within_s)
                heard = await self._below.read(16384, within_s)
                if not heard:
                    raise LineLost("the far end hung up amid the handshake") from None
                self._in.write(heard)
            else:
                await self._flush(within_s)
                return

    async def _welcome(self) -> None:
        # TLS 1.3 refuses our certificate only after the handshake: no label may be on its way then.
        await self.watch(_FIRST_WORDS_S, until_heard=True)
        if self.ended():
            raise LineLost("the far end hung up: perhaps it wants another certificate of ours")

    async def _flush(self, within_s: float) -> None:
        if leaving := self._out.read():
            await self._below.write(leaving, within_s)

    def _digest(self, heard: bytes) -> None:
        """Take in what came; nothing means the end. Raises `LineLost` for an alert."""
        if not heard:
            self._closed = True
            return
        self._in.write(heard)
        try:
            while piece := self._tls.read(16384):
                self._plain += piece
            self._closed = True
        except ssl.SSLWantReadError:
            return
        except ssl.SSLZeroReturnError:
            self._closed = True
        except ssl.SSLError as fault:
            raise LineLost(why_lost(fault)) from fault
