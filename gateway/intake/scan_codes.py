"""Codes out of a scanner's bytes: each ends with CR, LF or both. Pure."""

from dataclasses import dataclass, field

LONGEST_CODE_BYTES = 1600
_FRAMING = b"\x02\x03\x00"  # STX and ETX, which some scanners put around a code; NUL fills lines


@dataclass(slots=True)
class CodeSplitter:
    """Collects bytes and gives back whole codes; what has no end yet stays inside."""

    _part: bytearray = field(default_factory=bytearray)
    _too_long: bool = False
    overlong: int = 0
    """How many were thrown away because they never ended."""

    @property
    def unfinished(self) -> bool:
        """Whether a code has begun and not ended."""
        return bool(self._part) or self._too_long

    def feed(self, piece: bytes) -> list[str]:
        """The codes that this piece finishes, in their order."""
        codes: list[str] = []
        for line in piece.replace(b"\r", b"\n").splitlines(keepends=True):
            ended = line.endswith(b"\n")
            self._part += line.rstrip(b"\n")
            if len(self._part) > LONGEST_CODE_BYTES:
                self._part.clear()
                self._too_long = True
            if ended:
                codes += self._end()
        return codes

    def drop(self) -> None:
        """Forget a code that has begun and never ended."""
        self._part.clear()
        self._too_long = False

    def _end(self) -> list[str]:
        if self._too_long:
            self.overlong += 1
            self.drop()
            return []
        code = _text(bytes(self._part).strip(_FRAMING)).strip(" \t")
        self._part.clear()
        return [code] if code else []


def _text(code: bytes) -> str:
    """UTF-8; what is none was sent by a scanner that means Latin-1."""
    try:
        return code.decode()
    except UnicodeDecodeError:
        return code.decode("latin-1")
