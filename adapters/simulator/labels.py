"""What the simulated printer makes of the bytes that it gets: labels, queries, and their codes.

A small reader of its own, made from the languages' public command tables and not from the
gateway's writers, so that a mistake in a writer shows as a wrong code on a simulated bag.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from adapters.simulator.scanner import Graphic, read

FNC1 = "\x1d"
_CARET, _TILDE = b"^\x1e", b"~\x10"
_PREFIX = re.compile(rb"[\^\x1e~\x10]")


@dataclass(frozen=True, slots=True)
class Label:
    """A label that the printer would print: what a scanner reads from it, and its plain text."""

    codes: tuple[str, ...]
    texts: tuple[str, ...]
    copies: int = 1


@dataclass(frozen=True, slots=True)
class Query:
    """A question to the printer: `host-status`, `error-code`, or `variable NAME`."""

    what: str


Read = Label | Query


class LabelStream:
    """Takes a printer's input in pieces of any size; the start of a label tells its language."""

    def __init__(self) -> None:
        self._held = bytearray()
        self._reader: _Zpl | _Epl = _Zpl()
        self.half = 0
        """Bytes of the label that has begun and not ended."""

    def feed(self, data: bytes) -> list[Read]:
        """Labels and queries that these bytes complete, in their order."""
        self._held += data
        read: list[Read] = []
        while self._language_is_known():
            one = next(self._reader.take(self._held), None)
            if one is None:
                break
            read.append(one)
        self.half = self.half + len(data) if self._reader.inside else 0
        return read

    def _language_is_known(self) -> bool:
        if self._reader.inside:
            return True
        start = bytes(self._held[:64]).lstrip(b"\r\n\0 ")
        if len(start) < 3:
            return False
        is_zpl = start[:1] in {b"^", b"~", b"!", b"\x1e", b"\x10"} and start[:3] != b"^ee"
        self._reader = _Zpl() if is_zpl else _Epl()
        return True


@dataclass(slots=True)
class _Zpl:
    """Commands of the format language; a command ends where the next prefix begins."""

    inside: bool = False
    codes: list[str] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    copies: int = 1
    stores: bool = False
    hex_mark: str = ""
    symbol: tuple[str, list[str]] | None = None

    def take(self, held: bytearray) -> Iterator[Read]:
        while True:
            variable = re.match(rb'[\s\0]*! U1 getvar "([^"\r\n]*)"[ \r\n]', held)
            if variable:
                del held[: variable.end()]
                yield Query(f"variable {variable.group(1).decode('latin-1')}")
                continue
            start = _PREFIX.search(held)
            if start is None or len(held) < start.start() + 3:
                return
            del held[: start.start()]
            size = _command_size(held)
            if size is None:
                return
            command, rest = bytes(held[1:3]).decode("latin-1").upper(), bytes(held[3:size])
            control = held[0] in _TILDE
            del held[:size]
            yield from self._control(command) if control else self._format(command, rest)

    def _control(self, command: str) -> Iterator[Read]:
        if command == "HS":
            yield Query("host-status")
        elif command in {"JA", "JX", "JR"}:
            self._clear()

    def _format(self, command: str, rest: bytes) -> Iterator[Read]:
        parts = rest.decode("latin-1").strip("\r\n ").split(",")
        if command == "XA":
            self._clear()
            self.inside = True
        elif command == "XZ":
            prints = self.inside and not self.stores
            label = Label(tuple(self.codes), tuple(self.texts), self.copies)
            self._clear()
            if prints:
                yield label
        elif command == "PQ" and parts[0].isdigit():
            self.copies = int(parts[0])
        elif command == "DF":
            self.stores = True
        elif command == "FH":
            self.hex_mark = parts[0][:1] or "_"
        elif command in {"FS", "FO", "FT"}:
            self.symbol, self.hex_mark = None, ""
        elif command in {"FD", "FV"}:
            self._data(rest)
        elif command[0] == "B" and command != "BY":
            self.symbol = (command, parts)

    def _data(self, rest: bytes) -> None:
        if self.hex_mark:
            mark = re.escape(self.hex_mark.encode("latin-1"))
            rest = re.sub(
                mark + rb"([0-9A-Fa-f]{2})", lambda two: bytes([int(two.group(1), 16)]), rest
            )
        try:
            data = rest.decode("utf-8")
        except UnicodeDecodeError:
            data = rest.decode("latin-1")
        if self.symbol is None:
            self.texts.append(data)
        else:
            self.codes.append(_scanned(*self.symbol, data))

    def _clear(self) -> None:
        self.inside, self.stores, self.copies = False, False, 1
        self.symbol, self.hex_mark = None, ""
        self.codes, self.texts = [], []


def _command_size(held: bytearray) -> int | None:
    """Length of the command at the start, or nothing when it has not all come."""
    name = bytes(held[1:3]).upper()
    if (held[0] in _CARET and name in {b"XA", b"XZ", b"FS"}) or (
        held[0] in _TILDE and name == b"HS"
    ):
        return 3
    if name == b"GF" and bytes(held[3:5]).upper() in {b"B,", b"C,"}:
        counts = re.match(rb"...[BCbc],(\d+),\d+,\d+,", held)
        if counts is None:
            return None if len(held) < 40 else 3
        size = counts.end() + int(counts.group(1))
        return size if len(held) >= size else None
    following = _PREFIX.search(held, 1)
    return following.start() if following else None


_SHIFTS = {"8": FNC1, "<": "^", "0": ">", "=": "~"}


def _scanned(command: str, parts: list[str], data: str) -> str:
    """What a scanner reads from this field. FNC1 in first place is not sent, later it is GS."""
    if command == "BC":
        if len(parts) > 5 and parts[5] == "D":
            data = re.sub(r"[() ]", "", data)
        data = re.sub(r">(.)", lambda two: _SHIFTS.get(two.group(1), ""), data)
        return data.removeprefix(FNC1)
    if command == "BX":
        mark = re.escape(parts[6] if len(parts) > 6 and parts[6] else "~")
        data = re.sub(mark + r"d(\d{3})", lambda three: chr(int(three.group(1))), data)
        data = re.sub(mark + "1", FNC1, data)
        data = re.sub(mark * 2, lambda _: parts[6] if len(parts) > 6 else "~", data)
        return data.removeprefix(FNC1)
    if command == "BQ":
        switches, _, content = data.partition(",")
        if switches[1:2] == "M":
            content = content[5:] if content[:1] == "B" else content[1:]
        return content
    if command == "BE" and len(data) == 12 and data.isdigit():
        return data + _ean_check(data)
    return data


def _ean_check(digits: str) -> str:
    total = sum(int(d) * (3 if i % 2 else 1) for i, d in enumerate(digits))
    return str(-total % 10)


@dataclass(slots=True)
class _Epl:
    """Commands of the line language; a graphic's bytes follow its line."""

    inside: bool = False
    codes: list[str] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    graphics: list[Graphic] = field(default_factory=list)

    def take(self, held: bytearray) -> Iterator[Read]:
        while True:
            graphic = re.match(rb"\s*GW(\d+),(\d+),(\d+),(\d+),", held)
            if graphic:
                x, y, wide, rows = (int(number) for number in graphic.groups())
                start, size = graphic.end(), graphic.end() + wide * rows
                if len(held) < size:
                    return
                self.graphics.append(Graphic(x, y, wide, rows, bytes(held[start:size])))
                del held[:size]
                continue
            end = held.find(b"\n")
            if end < 0:
                return
            line = bytes(held[:end]).replace(b"\r", b"").decode("cp1252", "replace")
            del held[: end + 1]
            yield from self._line(line)

    def _line(self, line: str) -> Iterator[Read]:
        if line == "^ee":
            yield Query("error-code")
        elif line == "N":
            self.inside, self.codes, self.texts, self.graphics = True, [], [], []
        elif line[:1] in {"A", "B", "b"} and '"' in line:
            text = re.sub(r"\\(.)", r"\1", line[line.index('"') + 1 : line.rindex('"')])
            if line[0] == "A":
                self.texts.append(text)
            else:
                self.codes.append(text.replace("\x06", FNC1))
        elif re.fullmatch(r"P\d*(,\d+)?", line):
            self.inside = False
            sets, _, copies = line[1:].partition(",")
            count = int(sets or 1) * int(copies or 1)
            codes = tuple(self.codes) or read(self.graphics)
            yield Label(codes, tuple(self.texts), count)
