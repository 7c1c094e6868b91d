"""Fields of a ZPL label: collects what belongs to one field and closes it into a mark.

Source: the printer language's command descriptions.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from gateway.label.marks import (
    MAX_FIELD_BYTES,
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
from gateway.label.read_zpl_images import Bitmap, Images, object_name
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
                raise StreamTooLarge(f"more than {MAX_SYMBOLS} bar codes on a label", one.offset)
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
            self.notes.error(Code.NOT_DRAWN, text, one.offset)
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


@dataclass(frozen=True, slots=True)
class Given:
    """What follows a command's name: as it stands, and cut into parameters."""

    params: list[str]
    body: bytes


def _origin(page: Page, given: Given) -> None:
    one, settings = page.now, page.settings
    one.x, one.y = dots(settings, given.params, 0, 0), dots(settings, given.params, 1, 0)
    one.placed, one.from_baseline = True, False
    justify = number(given.params, 2)
    one.right_aligned = None if justify is None else justify == 1


def _typeset(page: Page, given: Given) -> None:
    if not any(given.params):
        text = "^FT without a position goes on where the last field ended; drawn at the corner"
        page.notes.warn(Code.NOT_DRAWN, text, page.now.offset)
    _origin(page, given)
    page.now.from_baseline = True


def _data(page: Page, given: Given) -> None:
    if len(given.body) > MAX_FIELD_BYTES:
        raise StreamTooLarge(f"field data of {len(given.body)} bytes", page.now.offset)
    page.now.data = given.body


def _serial(page: Page, given: Given) -> None:
    page.now.data = given.params[0].encode("latin-1")


def _hex(page: Page, given: Given) -> None:
    page.now.hex_sign = given.body.strip()[:1] or b"_"


def _reverse(page: Page, _: Given) -> None:
    page.now.reverse = True


def _block(page: Page, given: Given) -> None:
    settings = page.settings
    page.now.block = Block(
        max(dots(settings, given.params, 0, 0), 0),
        max(1, min(int(number(given.params, 1) or 1), 9999)),
        dots(settings, given.params, 2, 0),
        letter(given.params, 3, "L"),
        max(dots(settings, given.params, 4, 0), 0),
    )


def _text_block(page: Page, given: Given) -> None:
    settings, one = page.settings, page.now
    one.turn = letter(given.params, 0, settings.turn)
    height = one.font_height or settings.font_height or 1
    lines = max(1, dots(settings, given.params, 2, 1) // height)
    one.block = Block(max(dots(settings, given.params, 1, 1), 1), lines, 0, "L", 0)


def _field_number(page: Page, given: Given) -> None:
    page.now.number = max(0, min(int(number(given.params, 0) or 0), 9999))


def _direction(page: Page, given: Given) -> None:
    if letter(given.params, 0, "H") != "H":
        text = "text that runs downwards or from right to left is drawn from left to right"
        page.notes.warn(Code.NOT_DRAWN, text, page.now.offset)


def _clock(page: Page, _: Given) -> None:
    text = "the field shows the printer's own clock: what it will print can't be known"
    page.notes.warn(Code.NOT_DRAWN, text, page.now.offset)


def _graphic_field(page: Page, given: Given) -> None:
    page.now.bitmap = page.images.field(given.body, page.settings.comma, page.now.offset)


def _recall_image(page: Page, given: Given) -> None:
    name = object_name(given.params[0].encode("latin-1"), "GRF")
    bitmap = page.images.named.get(name)
    if bitmap is None:
        text = f"image {name} is not in the stream: what it prints can't be known"
        page.notes.warn(Code.MISSING_OBJECT, text, page.now.offset)
        return
    page.now.bitmap = bitmap
    scales = [max(1, min(int(number(given.params, place) or 1), 10)) for place in (1, 2)]
    page.now.bitmap_scale = (scales[0], scales[1])


def _quantity(page: Page, given: Given) -> None:
    count, replicates = number(given.params, 0), number(given.params, 2)
    total = max(int(count or 1), 1) * max(int(replicates or 0), 1)
    page.quantity = total


def _symbol_glyph(page: Page, _: Given) -> None:
    text = "signs of the symbol font are drawn as the letters that stand for them"
    page.notes.warn(Code.NOT_DRAWN, text, page.now.offset)


FIELD_COMMANDS: dict[str, Callable[[Page, Given], None]] = {
    "^FO": _origin,
    "^FT": _typeset,
    "^FD": _data,
    "^FV": _data,
    "^SN": _serial,
    "^FH": _hex,
    "^FR": _reverse,
    "^FB": _block,
    "^TB": _text_block,
    "^FN": _field_number,
    "^FP": _direction,
    "^FC": _clock,
    "^GF": _graphic_field,
    "^XG": _recall_image,
    "^IM": _recall_image,
    "^GS": _symbol_glyph,
    "^PQ": _quantity,
}
SHAPES = frozenset({"^GB", "^GC", "^GD", "^GE"})


def set_font(page: Page, name: str, params: list[str]) -> None:
    """^A: the letter after it is the font, then orientation, height and width."""
    one = page.now
    one.font = name
    one.turn = letter(params, 0, page.settings.turn)
    one.font_height = max(dots(page.settings, params, 1, 0), 0)
    one.font_width = max(dots(page.settings, params, 2, 0), 0)
