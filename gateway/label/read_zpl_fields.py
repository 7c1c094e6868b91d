"""ZPL commands that belong to a field: each notes what it says in the field being collected.

Source: the printer language's command descriptions.
"""

from collections.abc import Callable
from dataclasses import dataclass

from gateway.label.marks import MAX_FIELD_BYTES, Block, StreamTooLarge
from gateway.label.read_zpl_images import object_name
from gateway.label.read_zpl_page import Page
from gateway.label.read_zpl_settings import dots, letter, number
from schemas.inspection import FindingCode as Code


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
