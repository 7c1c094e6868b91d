"""EPL commands that draw: text, bar codes, lines, boxes and bitmaps, into the image buffer.

Source: the printer language's command descriptions. An object is turned about its own top left
corner, which stays at the stated point.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field

from gateway.label.marks import (
    MAX_DOTS,
    MAX_FIELD_BYTES,
    MAX_IMAGE_BYTES,
    MAX_MARKS,
    MAX_SYMBOLS,
    Box,
    ImageMark,
    Mark,
    Notes,
    ShapeMark,
    StreamTooLarge,
    SymbolMark,
    TextMark,
)
from gateway.label.read_epl_symbols import build_linear, build_matrix
from schemas.inspection import FindingCode as Code

_FONTS = {
    False: {"1": (12, 8), "2": (16, 10), "3": (20, 12), "4": (24, 14), "5": (48, 32)},
    True: {"1": (20, 12), "2": (28, 16), "3": (36, 20), "4": (44, 24), "5": (80, 48)},
}
"""Cell height and width in dots, on heads of 203 dpi and of 300 dpi (latter from memory)."""
_CODE_PAGES = {
    key: f"cp{page}"
    for key, page in zip(
        (*map(str, range(12)), *"ABCDEF"),
        (
            437,
            850,
            852,
            860,
            863,
            865,
            857,
            861,
            862,
            855,
            866,
            737,
            1252,
            1250,
            1251,
            1253,
            1254,
            1255,
        ),
        strict=True,
    )
}
"""Code pages of the I command; 0, 1, A, C and D from the description, the rest from memory."""
_INVERT = bytes(255 - value for value in range(256))
"""In a bitmap a bit of 0 prints (from memory)."""


@dataclass(slots=True)
class Buffer:
    """The image buffer, and the settings that drawing depends on. Lengths in dots."""

    notes: Notes
    dots_per_mm: float
    marks: list[Mark] = field(default_factory=list)
    offset: int = 0
    printed: bool = False
    encoding: str = "cp437"
    width: int | None = None
    length: int | None = None
    origin: tuple[int, int] = (0, 0)
    turned: bool = False
    symbols: int = 0
    drawn: int = 0
    image_bytes: int = 0

    def clear(self, offset: int) -> None:
        """N: empty the buffer, keep the settings."""
        self.marks, self.offset, self.printed = [], offset, False

    def add(self, mark: Mark, offset: int) -> None:
        """Put a mark into the buffer."""
        self.drawn += 1
        if self.drawn > MAX_MARKS:
            raise StreamTooLarge(f"more than {MAX_MARKS} fields", offset)
        if isinstance(mark, SymbolMark):
            self.symbols += 1
            if self.symbols > MAX_SYMBOLS:
                raise StreamTooLarge(f"more than {MAX_SYMBOLS} bar codes", offset)
        if not self.marks:
            self.offset = offset
        self.marks.append(mark)
        self.printed = False

    @property
    def fine(self) -> bool:
        """Whether the head is one of 300 dpi."""
        return self.dots_per_mm > 10

    def point(self, params: list[str], place: int) -> tuple[int, int]:
        """Two parameters as a point, the reference point added."""
        x, y = integer(params, place, 0), integer(params, place + 1, 0)
        return _within(x + self.origin[0]), _within(y + self.origin[1])

    def decoded(self, data: bytes, offset: int) -> str:
        """Data in the code page in force."""
        try:
            return data.decode(self.encoding)
        except UnicodeDecodeError:
            text = f"the bytes are not in code page {self.encoding}"
            self.notes.warn(Code.CHARACTER_SET, text, offset)
            return data.decode(self.encoding, "replace")


_INTEGER = re.compile(r"\s*([+-]?\d{1,8})")


def integer(params: list[str], place: int, default: int) -> int:
    """The parameter at `place` as a whole number."""
    match = _INTEGER.match(params[place]) if place < len(params) else None
    return int(match[1]) if match else default


def split(rest: bytes) -> list[str]:
    """Parameters of a command without quoted data."""
    return [part.strip() for part in rest.decode("latin-1").split(",")]


def _within(value: int) -> int:
    return max(min(value, MAX_DOTS), -MAX_DOTS)


_VARIABLE = re.compile(rb",\s*([VC][0-9]{1,2})\s*$")
"""In place of quoted data: a variable or counter of a stored form."""
_PIECE = re.compile(rb'[^"\\]+|\\[\\"]|\\')


def _cut(buffer: Buffer, rest: bytes, offset: int) -> tuple[list[str], bytes]:
    """Parameters before the quoted data, and the data without its escapes."""
    if len(rest) > MAX_FIELD_BYTES:
        raise StreamTooLarge(f"a line of {len(rest)} bytes", offset)
    before, quote, after = rest.partition(b'"')
    pieces: list[bytes] = []
    at = 0
    while piece := _PIECE.match(after, at):
        text = piece[0]
        pieces.append(text[1:] if len(text) == 2 and text[:1] == b"\\" else text)
        at = piece.end()
    if not quote and (variable := _VARIABLE.search(before)):
        name = variable[1].decode("ascii")
        unknown = f"{name} is filled in when a stored form is printed: its text is not known here"
        buffer.notes.warn(Code.MISSING_OBJECT, unknown, offset)
    elif not quote or after[at : at + 1] != b'"':
        buffer.notes.warn(Code.BAD_PARAMETER, "the data is not closed by a quote", offset)
    elif after[at + 1 :].strip():
        shown = after[at + 1 : at + 21].decode("latin-1")
        buffer.notes.warn(Code.BAD_PARAMETER, f"{shown!r} follows the data", offset)
    return split(before.rstrip(b", ")), b"".join(pieces)


def _text(buffer: Buffer, rest: bytes, offset: int) -> None:
    """A: x, y, rotation, font, multipliers, normal or reverse, data."""
    params, data = _cut(buffer, rest, offset)
    cells = _FONTS[buffer.fine]
    font = params[3] if len(params) > 3 else "1"
    if font not in cells:
        text = f"font {font!r} is stored in the printer: drawn as font 3"
        buffer.notes.warn(Code.NOT_DRAWN, text, offset)
    height, width = cells.get(font, cells["3"])
    across, down = max(integer(params, 4, 1), 1), max(integer(params, 5, 1), 1)
    x, y = buffer.point(params, 0)
    mark = TextMark(
        buffer.decoded(data, offset),
        x,
        y,
        font,
        height * min(down, 24),
        width * min(across, 24),
        integer(params, 2, 0) % 4 * 90,
        offset,
        fixed_pitch=True,
        on_black=len(params) > 6 and params[6] == "R",
        about_corner=True,
    )
    if mark.text:
        buffer.add(mark, offset)


def _linear(buffer: Buffer, rest: bytes, offset: int) -> None:
    """B: x, y, rotation, type, narrow, wide, height, human-readable, data."""
    params, data = _cut(buffer, rest, offset)
    kind = params[3] if len(params) > 3 else ""
    narrow, wide = (max(1, min(integer(params, place, 2), 100)) for place in (4, 5))
    height = max(1, min(integer(params, 6, 10), MAX_DOTS))
    symbol = build_linear(kind, buffer.decoded(data, offset), narrow, wide, height)
    if symbol is None:
        text = f"bar codes of type {kind!r} can't be read here: its code is not known"
        buffer.notes.warn(Code.NOT_DRAWN, text, offset)
        return
    rotation = integer(params, 2, 0) % 4 * 90
    box = _placed(*buffer.point(params, 0), symbol.width, symbol.height, rotation)
    caption = symbol.data if len(params) > 7 and params[7] == "B" else ""
    buffer.add(SymbolMark(symbol, box, rotation, offset, caption), offset)


def _matrix(buffer: Buffer, rest: bytes, offset: int) -> None:
    """b: x, y, kind, options, data."""
    params, data = _cut(buffer, rest, offset)
    kind = params[2] if len(params) > 2 else ""
    text = buffer.decoded(data, offset)
    symbol = build_matrix(kind, params[3:], text, data, buffer.dots_per_mm)
    if symbol is None:
        wrong = f"2D codes of kind {kind!r} can't be read here: its code is not known"
        buffer.notes.warn(Code.NOT_DRAWN, wrong, offset)
        return
    box = _placed(*buffer.point(params, 0), symbol.width, symbol.height, 0)
    buffer.add(SymbolMark(symbol, box, 0, offset), offset)


def _placed(x: int, y: int, width: int, height: int, rotation: int) -> Box:
    across, down = (width, height) if rotation in {0, 180} else (height, width)
    if rotation in {90, 180}:
        x -= across
    if rotation in {180, 270}:
        y -= down
    return Box(x, y, across, down)


def _line(kind: str) -> Callable[[Buffer, bytes, int], None]:
    """LO black, LW white, LE exclusive or: x, y, width, height."""

    def draw(buffer: Buffer, rest: bytes, offset: int) -> None:
        params = split(rest)
        x, y = buffer.point(params, 0)
        width, height = (max(1, min(integer(params, place, 1), MAX_DOTS)) for place in (2, 3))
        box = Box(x, y, width, height)
        thickness = min(width, height)
        buffer.add(ShapeMark("box", box, thickness, kind == "LW", 0, offset, kind == "LE"), offset)

    return draw


def _slant(buffer: Buffer, rest: bytes, offset: int) -> None:
    """LS: x, y, thickness, x end, y end."""
    params = split(rest)
    (x, y), (right, bottom) = buffer.point(params, 0), buffer.point(params, 3)
    box = Box(min(x, right), min(y, bottom), abs(right - x) + 1, abs(bottom - y) + 1)
    kind = "falling" if (right - x) * (bottom - y) >= 0 else "rising"
    thickness = max(1, min(integer(params, 2, 1), MAX_DOTS))
    buffer.add(ShapeMark(kind, box, thickness, False, 0, offset), offset)


def _box(buffer: Buffer, rest: bytes, offset: int) -> None:
    """X: x, y, thickness, x end, y end."""
    params = split(rest)
    (x, y), (right, bottom) = buffer.point(params, 0), buffer.point(params, 3)
    box = Box(min(x, right), min(y, bottom), max(abs(right - x), 1), max(abs(bottom - y), 1))
    thickness = max(1, min(integer(params, 2, 1), MAX_DOTS))
    buffer.add(ShapeMark("box", box, thickness, False, 0, offset), offset)


def bitmap(buffer: Buffer, params: list[str], raw: bytes, offset: int) -> None:
    """GW: x, y, bytes in a row, rows, then the bytes themselves."""
    stride, rows = integer(params, 2, 0), integer(params, 3, 0)
    size = stride * rows
    buffer.image_bytes += size
    if buffer.image_bytes > MAX_IMAGE_BYTES:
        raise StreamTooLarge(f"images of more than {MAX_IMAGE_BYTES} bytes", offset)
    if len(raw) < size:
        text = f"an image announces {size} bytes and {len(raw)} are there"
        buffer.notes.error(Code.BAD_GRAPHIC, text, offset)
    if size > 0:
        ink = raw.ljust(size, b"\xff").translate(_INVERT)
        x, y = buffer.point(params, 0)
        buffer.add(ImageMark(Box(x, y, stride * 8, rows), stride, ink, offset), offset)


def _width(buffer: Buffer, rest: bytes, offset: int) -> None:
    buffer.width = _size(buffer, "q", rest, offset)


def _length(buffer: Buffer, rest: bytes, offset: int) -> None:
    buffer.length = _size(buffer, "Q", rest, offset)


def _size(buffer: Buffer, name: str, rest: bytes, offset: int) -> int | None:
    """A stated size in dots; None, and told, where it is none."""
    size = _within(integer(split(rest), 0, 0))
    if size > 0:
        return size
    shown = rest[:12].decode("latin-1")
    buffer.notes.warn(Code.BAD_PARAMETER, f"{name}{shown} states no size in dots", offset)
    return None


def _reference(buffer: Buffer, rest: bytes, _: int) -> None:
    params = split(rest)
    buffer.origin = (_within(integer(params, 0, 0)), _within(integer(params, 1, 0)))


def _code_page(buffer: Buffer, rest: bytes, offset: int) -> None:
    params = split(rest)
    key = params[1] if len(params) > 1 else "0"
    if key not in _CODE_PAGES:
        buffer.notes.warn(Code.CHARACTER_SET, f"code page {key!r} is not known", offset)
    buffer.encoding = _CODE_PAGES.get(key, "latin-1")


def _top_first(buffer: Buffer, _: bytes, __: int) -> None:
    buffer.turned = False


def _bottom_first(buffer: Buffer, _: bytes, __: int) -> None:
    buffer.turned = True


DRAWING: dict[str, Callable[[Buffer, bytes, int], None]] = {
    "A": _text,
    "B": _linear,
    "b": _matrix,
    "LO": _line("LO"),
    "LW": _line("LW"),
    "LE": _line("LE"),
    "LS": _slant,
    "X": _box,
    "q": _width,
    "Q": _length,
    "R": _reference,
    "I": _code_page,
    "ZT": _top_first,
    "ZB": _bottom_first,
}
