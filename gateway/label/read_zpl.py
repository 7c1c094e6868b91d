"""Reads a ZPL stream into labels without carrying anything out.

Source: the printer language's command descriptions. Prefix characters can change on the way, RS
and DLE act as the caret and the tilde, and binary graphics are skipped by their stated length.
"""

import re

from gateway.label.command_sets import SET_LINE, SET_LINES, ZPL_HARMLESS, ZPL_LASTING, ZPL_REFUSED
from gateway.label.marks import (
    MAX_BYTES,
    MAX_COMMANDS,
    MAX_LABELS,
    MAX_MARKS,
    Notes,
    ReadLabel,
    ReadStream,
    StreamTooLarge,
)
from gateway.label.read_zpl_fields import FIELD_COMMANDS, SHAPES, Given, set_font
from gateway.label.read_zpl_images import Images, object_name
from gateway.label.read_zpl_page import Page
from gateway.label.read_zpl_settings import SETTERS, Settings
from schemas.inspection import FindingCode as Code
from schemas.inspection import Severity

_NOTHING = bytes([0, 2, 3, 9, 10, 13, 26, 32])
"""Bytes that print nothing between commands: white space, NUL, STX, ETX, SUB."""
_MAX_DEPTH = 2
"""A recalled format may recall one more; a loop ends here."""


class _Prefixes:
    """The characters that begin commands, with the pattern made of them.

    A tilde that no two letters follow is data: no control command looks like that.
    """

    def __init__(self) -> None:
        self.caret, self.tilde = b"^", b"~"
        self.pattern = self._pattern()

    def change(self, which: str, sign: bytes) -> None:
        """^CC or ^CT, with either prefix."""
        if which == "CC":
            self.caret = sign
        else:
            self.tilde = sign
        self.pattern = self._pattern()

    def _pattern(self) -> re.Pattern[bytes]:
        signs = {
            b"C": b"[%b\x1e]" % re.escape(self.caret),
            b"T": b"[%b\x10](?=[A-Za-z]{2})" % re.escape(self.tilde),
            b"N": b"[^%b\x1e%b\x10]" % (re.escape(self.caret), re.escape(self.tilde)),
            b"L": b"[%b\x10](?![A-Za-z]{2})" % re.escape(self.tilde),
        }
        body = b"(%(N)b*(?:%(L)b%(N)b*)*)" % signs
        names = b"(?:%(C)b(?:([Aa](?=@)@|[Aa]|%(N)b{0,2}))|%(T)b(..))" % signs
        return re.compile(names + body, re.DOTALL)


def read(content: bytes, allowed: frozenset[str], dots_per_mm: float) -> ReadStream:
    """Labels and findings of a ZPL stream. Raises `StreamTooLarge` beyond a limit."""
    if len(content) > MAX_BYTES:
        raise StreamTooLarge(f"{len(content)} bytes; at most {MAX_BYTES} are read", 0)
    reader = _Reader(allowed, dots_per_mm)
    for match in SET_LINES.finditer(content):
        reader.judge(SET_LINE, "speaks the printer's settings language", match.start())
    reader.run(content, 0)
    return reader.finish()


class _Reader:
    def __init__(self, allowed: frozenset[str], dots_per_mm: float) -> None:
        self.allowed = frozenset(name.upper() for name in allowed)
        self.notes = Notes()
        self.prefixes = _Prefixes()
        self.settings = Settings(dots_per_mm)
        self.images = Images(self.notes)
        self.labels: list[ReadLabel] = []
        self.page: Page | None = None
        self.page_notes = 0
        self.stored: dict[str, tuple[bytes, int]] = {}
        self.commands = 0
        self.marks = self.symbols = 0
        self.depth = 0

    def finish(self) -> ReadStream:
        """What was read, once the stream is over."""
        if self.page is not None:
            text = "the stream ends inside a label: the printer would wait for ^XZ and mix it "
            self.notes.error(Code.UNCLOSED_LABEL, text + "with the next one", self.page.offset)
            self._end()
        return ReadStream(tuple(self.labels), tuple(self.notes.found), self.notes.unknown)

    def run(self, content: bytes, base: int) -> None:
        """Go through the commands of `content`, which begins at byte `base` of the stream."""
        at = 0
        while match := self.prefixes.pattern.search(content, at):
            if match.start() > at:
                self._stray(content[at : match.start()], base + at)
            at = self._step(content, match, base)
        self._stray(content[at:], base + at)

    def _step(self, content: bytes, match: re.Match[bytes], base: int) -> int:
        """One command; the answer is where the next one may begin."""
        self.commands += 1
        offset = base + match.start()
        if self.commands > MAX_COMMANDS:
            raise StreamTooLarge(f"more than {MAX_COMMANDS} commands", offset)
        after_caret, after_tilde, body = match.groups()
        if after_tilde is None:
            name = "^" + after_caret.decode("latin-1").upper()
        else:
            name = "~" + after_tilde.decode("latin-1").upper()
        if name[1:] in {"CC", "CT", "CD"}:
            return self._change_prefix(name[1:], content, match.start(3))
        end = match.end()
        if name in _BINARY and (length := self._binary(name, content, match.start(3))):
            end = length
            body = content[match.start(3) : end]
        if name == "^DF":
            return self._store(body, content, match.end(), offset)
        self._command(name, body, offset)
        return end

    def _command(self, name: str, body: bytes, offset: int) -> None:
        if name in ZPL_REFUSED:
            self.judge(name, ZPL_REFUSED[name], offset)
        page = self.page
        if name == "^XA":
            self._begin(offset)
        elif name == "^XZ":
            self._end()
            self._stray(body, offset)
        elif setter := SETTERS.get(name):
            setter(self.settings, self._params(body))
        elif name == "~DG":
            self.images.download(body, self.settings.comma, offset)
        elif name in ZPL_LASTING:
            self._lasting(name, body, offset)
        elif page is not None and self._in_page(page, name, body, offset):
            pass
        elif name not in ZPL_REFUSED and name not in ZPL_HARMLESS:
            self.notes.unknown_command(name, offset)

    def _lasting(self, name: str, body: bytes, offset: int) -> None:
        text = f"{name} stays in force for later labels"
        self.notes.add(Code.LASTING_SETTING, Severity.INFO, text, offset)
        if name == "^JM" and body.strip().upper() == b"B":
            wrong = "^JMB halves the head's resolution: everything prints twice as large"
            self.notes.error(Code.DPI_MISMATCH, wrong, offset)

    def _in_page(self, page: Page, name: str, body: bytes, offset: int) -> bool:
        """Commands that belong to a field; whether the command is one of them."""
        if name == "^FS":
            page.close(offset)
            self._stray(body, offset)
            return True
        if name == "^XF":
            self._recall(body, offset)
            return True
        now = page.now
        handler = FIELD_COMMANDS.get(name)
        if handler is None and name not in SHAPES and name[1:2] not in {"A", "B"}:
            return False
        if now.offset < 0 or name in {"^FD", "^FV"}:
            now.offset = offset
        if name == "^FD":
            now.data = None
        if handler is not None:
            handler(page, Given(self._params(body) if name != "^FD" else [], body))
        elif name in SHAPES:
            now.shape = (name, self._params(body))
        elif name[1] == "A":
            self._font(page, name, body)
        else:
            now.barcode = (name, self._params(body))
        if len(page.marks) + self.marks > MAX_MARKS:
            raise StreamTooLarge(f"more than {MAX_MARKS} fields", offset)
        return True

    def _font(self, page: Page, name: str, body: bytes) -> None:
        params = self._params(body)
        if name == "^A@":
            set_font(page, "0", params)
        else:
            font = params[0][:1].upper() or page.settings.font
            set_font(page, font, [params[0][1:].strip(), *params[1:]])

    def _params(self, body: bytes) -> list[str]:
        text = body.decode("latin-1")
        return [part.strip() for part in text.split(self.settings.comma.decode("latin-1"))]

    def judge(self, name: str, effect: str, offset: int) -> None:
        """Note a command that reaches beyond the label; once, even if its format is recalled."""
        if not self.depth:
            self.notes.judge(name, effect, offset, allowed=name.upper() in self.allowed)

    def _begin(self, offset: int) -> None:
        if self.depth:
            return
        if self.page is not None:
            self.notes.warn(Code.UNCLOSED_LABEL, "a label begins inside another one", offset)
            self._end()
        self.page = Page(self.settings, self.notes, self.images, offset, symbols=self.symbols)
        self.page_notes = len(self.notes.found)

    def _end(self) -> None:
        page = self.page
        if page is None or self.depth:
            return
        if page.now.data is not None:
            text = "the last field is not closed by ^FS: it may not print"
            self.notes.warn(Code.BAD_PARAMETER, text, page.now.offset)
            page.close(page.now.offset)
        for number, fields in page.waiting.items():
            text = f"field {number} of the recalled format gets no data"
            self.notes.warn(Code.MISSING_OBJECT, text, fields[0].offset)
        self.page, self.symbols = None, page.symbols
        if not page.marks and not page.fields:
            return
        self.marks += len(page.marks)
        if len(self.labels) >= MAX_LABELS:
            raise StreamTooLarge(f"more than {MAX_LABELS} labels", page.offset)
        settings = self.settings
        self.labels.append(
            ReadLabel(
                tuple(page.marks),
                settings.width,
                settings.length,
                page.quantity,
                page.offset,
                settings.turned,
                settings.mirrored,
                self.notes.take(self.page_notes),
            )
        )

    def _stray(self, data: bytes, offset: int) -> None:
        left = data.strip(_NOTHING)
        if left:
            shown = left[:24].decode("latin-1")
            text = f"{len(left)} bytes outside any command: {shown!r}"
            self.notes.add(Code.STRAY_DATA, Severity.INFO, text, offset)

    def _change_prefix(self, which: str, content: bytes, at: int) -> int:
        sign = content[at : at + 1]
        if sign and sign.isascii() and sign not in b"\r\n\x1e\x10":
            if which == "CD":
                self.settings.comma = sign
            else:
                self.prefixes.change(which, sign)
        return at + 1

    def _binary(self, name: str, content: bytes, at: int) -> int:
        """Where a command that carries bytes ends by its own count; 0 if it carries text."""
        comma = re.escape(self.settings.comma)
        match = re.compile(_BINARY[name].replace(b",", comma)).match(content, at)
        if match is None:
            return 0
        end = match.end() + int(match[1])
        if end > len(content):
            text = f"{name} announces {int(match[1])} bytes and the stream ends before"
            self.notes.error(Code.BAD_GRAPHIC, text, at)
        return min(end, len(content))

    def _store(self, body: bytes, content: bytes, at: int, offset: int) -> int:
        """^DF: keep the text up to ^XZ under its name; nothing of it prints now."""
        self.judge("^DF", ZPL_REFUSED["^DF"], offset)
        ending = re.compile(b"[%b\x1e](?i:XZ)" % re.escape(self.prefixes.caret))
        match = ending.search(content, at)
        end = match.start() if match else len(content)
        self.stored[object_name(body, "ZPL")] = (content[at:end], offset + at)
        for name in set(re.findall(rb"[\^~\x1e\x10]([A-Za-z]{2})", content[at:end])):
            for prefix in "^~":
                full = prefix + name.decode().upper()
                if full in ZPL_REFUSED:
                    self.judge(full, ZPL_REFUSED[full], offset)
        if self.page is not None:
            self.page = Page(self.settings, self.notes, self.images, self.page.offset)
        return end

    def _recall(self, body: bytes, offset: int) -> None:
        name = object_name(body, "ZPL")
        stored = self.stored.get(name)
        if stored is None:
            text = f"format {name} is not in the stream: what it prints can't be known"
            if "^XF" in self.allowed:
                self.notes.warn(Code.MISSING_OBJECT, text, offset)
            else:
                self.notes.error(Code.MISSING_OBJECT, text, offset)
            return
        if self.depth >= _MAX_DEPTH:
            raise StreamTooLarge("stored formats recall one another", offset)
        self.depth += 1
        self.run(*stored)
        self.depth -= 1


_BINARY = {
    "^GF": rb"\s*[BbCc]\s*,\s*(\d{1,8})\s*,\s*\d*\s*,\s*\d*\s*,",
    "~DY": rb"[^,]{0,40},\s*[Bb]\s*,\s*[A-Za-z]?\s*,\s*(\d{1,8})\s*,\s*\d*\s*,",
    "^DY": rb"[^,]{0,40},\s*[Bb]\s*,\s*[A-Za-z]?\s*,\s*(\d{1,8})\s*,\s*\d*\s*,",
}
