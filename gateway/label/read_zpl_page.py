"""One label of a ZPL stream while it is read: a field is collected, then closed into a mark.

Source: the printer language's command descriptions.
"""

import re
from dataclasses import dataclass, field, replace

from gateway.label.marks import (
    MAX_SYMBOLS,
    Block,
    Box,
    ImageMark,
    Mark,
    Notes,
    ShapeMark,
    StreamTooLarge,
    SymbolMark,
    TextMark,
)
from gateway.label.read_zpl_images import Bitmap, Images
from gateway.label.read_zpl_settings import TURNS, Settings, dots, letter, number
from gateway.label.read_zpl_symbols import Order, build
from schemas.inspection import FindingCode as Code

_BITMAP_FONTS = {
    "A": (9, 5, 1),
    "B": (11, 7, 2),
    "C": (18, 10, 2),
    "D": (18, 10, 2),
    "E": (28, 15, 5),
    "F": (26, 13, 3),
    "G": (60, 40, 8),
    "H": (21, 13, 6),
}
"""Cell height, cell width and gap in dots of the fonts that grow in whole steps only."""


@dataclass(slots=True)
class Field:
    """What the commands since the last ^FS said. Lengths in dots."""

    offset: int = -1
    x: int = 0
    y: int = 0
    placed: bool = False
    from_baseline: bool = False
    right_aligned: bool | None = None
    font: str = ""
    font_height: int = 0
    font_width: int = 0
    turn: str = ""
    barcode: tuple[str, list[str]] | None = None
    shape: tuple[str, list[str]] | None = None
    bitmap: Bitmap | None = None
    bitmap_scale: tuple[int, int] = (1, 1)
    hex_sign: bytes | None = None
    block: Block | None = None
    reverse: bool = False
    number: int | None = None
    data: bytes | None = None


@dataclass(slots=True)
class Page:
    """One label while it is read."""

    settings: Settings
    notes: Notes
    images: Images
    offset: int
    marks: list[Mark] = field(default_factory=list)
    now: Field = field(default_factory=Field)
    waiting: dict[int, list[Field]] = field(default_factory=dict)
    """Fields of a recalled format that wait for their data, by number."""
    quantity: int = 1
    symbols: int = 0
    fields: int = 0

    def close(self, offset: int) -> None:
        """^FS: turn the field into a mark and begin a new one."""
        now, self.now = self.now, Field()
        if now.offset < 0:
            return
        self.fields += 1
        if now.number is not None and now.data is None:
            self.waiting.setdefault(now.number, []).append(now)
            return
        targets = self.waiting.pop(now.number, []) if now.number is not None else []
        if targets and not now.placed:
            for one in targets:
                self._mark(replace(one, data=now.data, hex_sign=now.hex_sign, offset=now.offset))
        elif now.number is not None and not now.placed:
            text = f"data for field {now.number} that no recalled format of this stream has"
            self.notes.warn(Code.MISSING_OBJECT, text, offset)
        else:
            self._mark(now)

    def _mark(self, one: Field) -> None:
        if one.shape is not None:
            self.marks.append(_shape(one, self.settings))
        elif one.bitmap is not None:
            self.marks.append(_image(one, self.settings))
        elif one.data is not None and one.barcode is not None:
            self.symbols += 1
            if self.symbols > MAX_SYMBOLS:
                raise StreamTooLarge(f"more than {MAX_SYMBOLS} bar codes", one.offset)
            mark = self._symbol(one, one.barcode, one.data)
            if mark is not None:
                self.marks.append(mark)
        elif one.data is not None:
            text = self._text(one, one.data)
            if text.text:
                self.marks.append(text)

    def _symbol(self, one: Field, barcode: tuple[str, list[str]], raw: bytes) -> SymbolMark | None:
        settings, (name, params) = self.settings, barcode
        data = unescape(raw, one.hex_sign)
        ordered = build(
            name,
            Order(
                params,
                data,
                self._decoded(data, one.offset),
                settings.module,
                settings.ratio,
                settings.bar_height,
                settings.dots_per_mm,
            ),
        )
        if ordered is None:
            text = f"bar codes of {name} can't be read here: neither its size nor its code is known"
            self.notes.warn(Code.NOT_DRAWN, text, one.offset)
            return None
        symbol = ordered.symbol
        turn = one.turn or letter(params, 0, settings.turn)
        if name == "^BQ" and not one.from_baseline:
            one = replace(one, y=one.y + settings.bar_height)
        box = placed(one, settings, symbol.width, symbol.height, TURNS.get(turn, 0))
        return SymbolMark(
            symbol,
            box,
            0 if name == "^BQ" else TURNS.get(turn, 0),
            one.offset,
            ordered.caption,
            ordered.above,
            one.reverse or settings.reverse,
        )

    def _text(self, one: Field, raw: bytes) -> TextMark:
        settings = self.settings
        font = one.font or settings.font
        height, width = one.font_height, one.font_width
        if not (height or width):
            height, width = settings.font_height, settings.font_width
        fixed = font in _BITMAP_FONTS
        if fixed:
            cell, across, gap = _BITMAP_FONTS[font]
            steps = max(1, round(height / cell)) if height else max(1, round(width / across))
            steps_across = max(1, round(width / across)) if width else steps
            height, width = cell * steps, (across + gap) * steps_across
        text = self._decoded(unescape(raw, one.hex_sign), one.offset)
        if one.block is not None:
            text = unslashed(text)
        right = settings.right_aligned if one.right_aligned is None else one.right_aligned
        return TextMark(
            text,
            one.x + settings.home_x - settings.shift_left,
            one.y + settings.home_y + settings.shift_down,
            font,
            height or width or 9,
            width if width != height or fixed else 0,
            TURNS.get(one.turn or settings.turn, 0),
            one.offset,
            one.from_baseline,
            right,
            fixed,
            one.block,
            one.reverse or settings.reverse,
        )

    def _decoded(self, data: bytes, offset: int) -> str:
        encoding = self.settings.encoding
        if data.isascii() and "16" not in encoding:
            return data.decode("ascii")
        if not encoding:
            text = f"character set ^CI{self.settings.charset} is not known here"
            self.notes.warn(Code.CHARACTER_SET, text, offset)
            return data.decode("latin-1")
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            text = f"the bytes are no {encoding}: the print will show other signs"
            self.notes.warn(Code.CHARACTER_SET, text, offset)
            return data.decode(encoding, "replace")


def unslashed(text: str) -> str:
    r"""Text of a block: `\&` breaks the line, `\\` is a backslash."""
    if "\\" not in text:
        return text
    return text.replace("\\\\", "\0").replace("\\&", "\n").replace("\0", "\\")


_LINE_ENDS = re.compile(rb"[\r\n]+")


def unescape(data: bytes, sign: bytes | None) -> bytes:
    """Field data without the stream's line ends, with its hex escapes resolved."""
    if b"\n" in data or b"\r" in data:
        data = _LINE_ENDS.sub(b"", data)
    if sign is None or sign not in data:
        return data
    pattern = re.escape(sign) + rb"([0-9A-Fa-f]{2})"
    return re.sub(pattern, lambda match: bytes.fromhex(match[1].decode()), data)


def placed(one: Field, settings: Settings, width: int, height: int, rotation: int) -> Box:
    """Where an object of `width` x `height` stands once it is turned about its anchor."""
    x = one.x + settings.home_x - settings.shift_left
    y = one.y + settings.home_y + settings.shift_down
    across, down = (width, height) if rotation in {0, 180} else (height, width)
    right = settings.right_aligned if one.right_aligned is None else one.right_aligned
    if one.from_baseline:
        x -= {0: 0, 90: 0, 180: across, 270: across}[rotation]
        y -= {0: down, 90: 0, 180: 0, 270: down}[rotation]
    if right:
        x -= across if rotation in {0, 90} else 0
    return Box(x, y, across, down)


def _shape(one: Field, settings: Settings) -> ShapeMark:
    assert one.shape is not None
    name, params = one.shape
    if name == "^GC":
        width = height = max(dots(settings, params, 0, 3), 3)
        at = 1
    else:
        width, height, at = dots(settings, params, 0, 0), dots(settings, params, 1, 0), 2
    thickness = max(dots(settings, params, at, 1), 1)
    if name == "^GB":
        width, height = max(width, thickness), max(height, thickness)
    width, height = max(width, 1), max(height, 1)
    kind = {"^GB": "box", "^GC": "ellipse", "^GE": "ellipse"}.get(name, "rising")
    if name == "^GD" and letter(params, 4, "R") in {"L", "\\"}:
        kind = "falling"
    rounding = int(number(params, 4) or 0) if name == "^GB" else 0
    return ShapeMark(
        kind,
        placed(one, settings, width, height, 0),
        thickness,
        letter(params, at + 1, "B") == "W",
        max(0, min(rounding, 8)),
        one.offset,
        one.reverse or settings.reverse,
    )


def _image(one: Field, settings: Settings) -> ImageMark:
    assert one.bitmap is not None
    bitmap, (across, down) = one.bitmap, one.bitmap_scale
    box = placed(one, settings, bitmap.stride * 8 * across, bitmap.height * down, 0)
    return ImageMark(
        box, bitmap.stride, bitmap.data, one.offset, across, down, one.reverse or settings.reverse
    )
