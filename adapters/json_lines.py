"""Messages as JSON objects, one a line, over a byte line."""

import json

from adapters.line import Line, LineLost

Message = dict[str, object]
LONGEST = 8_000_000


class Garbage(Exception):
    """The peer sent a line that is no JSON object, or one that never ends."""


class JsonLines:
    """Sends and receives messages; keeps what arrived beyond the last whole one."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self._held = bytearray()

    async def send(self, message: Message, within_s: float) -> int:
        """Send one message; returns its bytes. Raises `LineLost` with the count that left."""
        data = json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
        await self.line.write(data, within_s)
        return len(data)

    async def receive(self, within_s: float | None = None) -> Message | None:
        """The next message; nothing at the peer's end.

        Raises `TimeoutError`, `LineLost`, `Garbage`.
        """
        while b"\n" not in self._held:
            piece = await self.line.read(65536, within_s)
            if not piece:
                if self._held:
                    raise LineLost("the line ended amid a message")
                return None
            self.take(piece)
        return self.next()

    def take(self, piece: bytes) -> None:
        """Add bytes that were read elsewhere."""
        self._held += piece
        if len(self._held) > LONGEST:
            raise Garbage(f"a message of more than {LONGEST} bytes")

    def held(self) -> bytes:
        """The start of the message that has not all come."""
        return bytes(self._held[:64])

    def has_next(self) -> bool:
        """Whether a whole message is there."""
        return b"\n" in self._held

    def next(self) -> Message:
        """The next whole message. Raises `Garbage`."""
        raw, _, rest = bytes(self._held).partition(b"\n")
        self._held = bytearray(rest)
        try:
            message = json.loads(raw)
        except ValueError as bad:
            raise Garbage(f"no JSON: {raw[:40]!r}") from bad
        if not isinstance(message, dict):
            raise Garbage(f"no JSON object: {raw[:40]!r}")
        return message
