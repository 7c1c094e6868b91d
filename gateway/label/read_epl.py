"""Reads an EPL stream into labels without carrying anything out.

Source: the printer language's command descriptions. Commands are case-sensitive and end with LF;
CR is ignored; a bitmap is skipped by the size that it states, whatever its bytes look like.
"""

import re

from gateway.label.command_sets import EPL_HARMLESS, EPL_REFUSED, EPL_SETTINGS, SET_LINE, SET_LINES
from gateway.label.marks import (
    MAX_BYTES,
    MAX_COMMANDS,
    MAX_LABELS,
    Notes,
    ReadLabel,
    ReadStream,
    StreamTooLarge,
)
from gateway.label.read_epl_fields import DRAWING, Buffer, bitmap, integer, split
from schemas.inspection import FindingCode as Code

_NAME = re.compile(rb"\s*(\^[@A-Za-z]*|[A-Za-z]+|.)", re.DOTALL)
_BLANK = re.compile(rb"[\r\n\t \0\x1a]+")
_BITMAP = re.compile(rb"[ \t\r]{0,8}GW([^,\n]{1,9}),([^,\n]{1,9}),(\d{1,6}),(\d{1,6}),")


def read(content: bytes, allowed: frozenset[str], dots_per_mm: float) -> ReadStream:
    """Labels and findings of an EPL stream. Raises `StreamTooLarge` beyond a limit."""
    if len(content) > MAX_BYTES:
        raise StreamTooLarge(f"{len(content)} bytes; at most {MAX_BYTES} are read", 0)
    reader = _Reader(allowed, dots_per_mm)
    for match in SET_LINES.finditer(content):
        reader.judge(SET_LINE, "speaks the printer's settings language", match.start())
    reader.run(content)
    return reader.finish()


class _Reader:
    def __init__(self, allowed: frozenset[str], dots_per_mm: float) -> None:
        self.allowed = allowed
        self.notes = Notes()
        self.buffer = Buffer(self.notes, dots_per_mm)
        self.labels: list[ReadLabel] = []
        self.commands = 0
        self.label_notes = 0

    def finish(self) -> ReadStream:
        """What was read, once the stream is over."""
        if self.buffer.marks and not self.buffer.printed:
            text = "the stream ends before P: nothing of this label would print"
            self.notes.error(Code.UNCLOSED_LABEL, text, self.buffer.offset)
            self._end(1)
        return ReadStream(tuple(self.labels), tuple(self.notes.found), self.notes.unknown)

    def run(self, content: bytes) -> None:
        """Go through the lines and the bitmaps between them."""
        at, end = 0, len(content)
        while at < end:
            blank = _BLANK.match(content, at)
            at = blank.end() if blank else at
            match = _BITMAP.match(content, at)
            if match:
                self._count(at)
                size = int(match[3]) * int(match[4])
                start = match.end()
                params = [part.decode("latin-1") for part in match.groups()]
                bitmap(self.buffer, params, content[start : start + size], at)
                at = start + size
                continue
            stop = content.find(b"\n", at)
            if stop < 0:
                stop = end
                if at < end:
                    text = "the last line has no line feed: the printer would wait for it"
                    self.notes.error(Code.UNCLOSED_LABEL, text, at)
            line = content[at:stop].replace(b"\r", b"")
            if line:
                self._count(at)
                self._line(line, at)
            at = stop + 1

    def _count(self, offset: int) -> None:
        self.commands += 1
        if self.commands > MAX_COMMANDS:
            raise StreamTooLarge(f"more than {MAX_COMMANDS} commands", offset)

    def _line(self, line: bytes, offset: int) -> None:
        match = _NAME.match(line)
        assert match is not None
        name, rest = match[1].decode("latin-1"), line[match.end() :]
        if name in EPL_REFUSED:
            self.judge(name, EPL_REFUSED[name], offset)
        elif name.startswith("^"):
            self.judge(name, "is carried out at once and is not known here", offset)
        elif name == "N":
            self._clear(rest, offset)
        elif name == "P":
            self._printed(rest, offset)
        elif drawing := DRAWING.get(name):
            drawing(self.buffer, rest, offset)
        elif name == "FR":
            text = f"a form is recalled ({rest[:20].decode('latin-1')}): its content is not known"
            self.notes.error(Code.MISSING_OBJECT, text, offset)
        elif name == "GG":
            text = f"a stored image is recalled ({rest[:20].decode('latin-1')})"
            self.notes.warn(Code.MISSING_OBJECT, text, offset)
        elif name not in EPL_SETTINGS and name not in EPL_HARMLESS and not SET_LINES.match(line):
            self.notes.unknown_command(name if name.isprintable() else repr(line[:8]), offset)

    def judge(self, name: str, effect: str, offset: int) -> None:
        """Note a command that reaches beyond the label."""
        self.notes.judge(name, effect, offset, allowed=name in self.allowed)

    def _clear(self, rest: bytes, offset: int) -> None:
        if rest.strip():
            self.notes.unknown_command("N" + rest[:10].decode("latin-1"), offset)
        if self.buffer.marks and not self.buffer.printed:
            text = "a label is cleared before it was printed"
            self.notes.warn(Code.UNCLOSED_LABEL, text, self.buffer.offset)
        self.buffer.clear(offset)

    def _printed(self, rest: bytes, offset: int) -> None:
        """P: sets, then copies of each. The buffer stays as it is until N."""
        params = split(rest)
        if not self.buffer.marks:
            self.notes.warn(Code.BAD_PARAMETER, "P with an empty image prints a blank", offset)
        self._end(max(integer(params, 0, 1), 1) * max(integer(params, 1, 1), 1))
        self.buffer.printed = True

    def _end(self, quantity: int) -> None:
        buffer = self.buffer
        if len(self.labels) >= MAX_LABELS:
            raise StreamTooLarge(f"more than {MAX_LABELS} labels", buffer.offset)
        self.labels.append(
            ReadLabel(
                tuple(buffer.marks),
                buffer.width,
                buffer.length,
                quantity,
                buffer.offset,
                turned=buffer.turned,
                findings=self.notes.take(self.label_notes),
            )
        )
        self.label_notes = len(self.notes.found)
