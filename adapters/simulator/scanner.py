"""A scanner for simulated bags: reads codes that a label carries as a drawing, from its dots."""

from collections.abc import Iterable
from dataclasses import dataclass

import zxingcpp
from PIL import Image

_QUIET_DOTS = 40


@dataclass(frozen=True, slots=True)
class Graphic:
    """A drawing at a place, in dots; a row is `bytes_a_row` bytes, a set bit is white."""

    x: int
    y: int
    bytes_a_row: int
    rows: int
    dots: bytes


def read(graphics: Iterable[Graphic]) -> tuple[str, ...]:
    """Codes in the drawings, laid on one white label; GS stands for a separator in a code."""
    drawn = [graphic for graphic in graphics if graphic.rows and graphic.bytes_a_row]
    if not drawn:
        return ()
    width = max(graphic.x + graphic.bytes_a_row * 8 for graphic in drawn) + _QUIET_DOTS
    height = max(graphic.y + graphic.rows for graphic in drawn) + _QUIET_DOTS
    label = Image.new("1", (width + _QUIET_DOTS, height + _QUIET_DOTS), 1)
    for graphic in drawn:
        size = (graphic.bytes_a_row * 8, graphic.rows)
        dots = Image.frombytes("1", size, graphic.dots)
        place = (graphic.x + _QUIET_DOTS, graphic.y + _QUIET_DOTS)
        label.paste(dots, place)
    found = zxingcpp.read_barcodes(label.convert("L"))
    from_top = sorted(found, key=lambda symbol: int(symbol.position.top_left.y))
    return tuple(symbol.bytes.decode("utf-8", "replace") for symbol in from_top)
