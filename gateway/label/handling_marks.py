"""Handling marks, drawn by ourselves after the meanings that ISO 780 gives them (from memory)."""

from collections.abc import Callable, Mapping
from types import MappingProxyType

from PIL import Image, ImageDraw

from gateway.label.bitmap import Bitmap
from gateway.label.room import Origin

_UNIT = 120
_Pen = ImageDraw.ImageDraw


def _fragile(pen: _Pen) -> None:
    pen.polygon([(32, 12), (88, 12), (80, 52), (64, 66), (64, 94), (56, 94), (56, 66), (40, 52)], 1)
    pen.rectangle((36, 94, 84, 104), 1)
    pen.line([(62, 12), (54, 26), (66, 36), (58, 50)], 0, 5)


def _this_way_up(pen: _Pen) -> None:
    for x in (20, 68):
        pen.polygon([(x + 16, 12), (x + 36, 44), (x + 22, 44), (x + 22, 90), (x + 10, 90)], 1)
        pen.polygon([(x + 16, 12), (x - 4, 44), (x + 10, 44), (x + 10, 90), (x + 22, 90)], 1)
    pen.rectangle((12, 98, 108, 106), 1)


def _keep_dry(pen: _Pen) -> None:
    pen.pieslice((16, 30, 104, 118), 180, 360, 1)
    pen.line([(60, 72), (60, 100)], 1, 6)
    pen.arc((60, 88, 80, 110), 0, 180, 1, 6)
    for x, y in ((26, 6), (50, 2), (74, 4), (98, 8)):
        pen.line([(x, y), (x - 6, y + 20)], 1, 5)


def _sharp(pen: _Pen) -> None:
    pen.polygon([(14, 84), (74, 24), (90, 40), (44, 86)], 1)
    pen.polygon([(80, 18), (96, 34), (110, 20), (94, 4)], 1)
    pen.rectangle((14, 96, 106, 104), 1)


def _liquid(pen: _Pen) -> None:
    pen.polygon([(60, 10), (86, 58), (34, 58)], 1)
    pen.ellipse((30, 40, 90, 104), 1)
    pen.arc((42, 52, 78, 92), 90, 170, 0, 6)


_MARKS: Mapping[str, Callable[[_Pen], None]] = MappingProxyType(
    {
        "fragile": _fragile,
        "this-way-up": _this_way_up,
        "keep-dry": _keep_dry,
        "sharp": _sharp,
        "liquid": _liquid,
    }
)
MARK_NAMES = tuple(_MARKS)


def mark(name: str, width: int, height: int, origin: Origin) -> Bitmap:
    """A mark as large as fits, in dots. Raises `TemplateFault` for a name that is not known."""
    paint = _MARKS.get(name)
    if paint is None:
        raise origin.fault(f"there is no mark {name!r}; there are {', '.join(MARK_NAMES)}")
    paper = Image.new("1", (_UNIT * 4, _UNIT * 4), 0)
    small = Image.new("1", (_UNIT, _UNIT), 0)
    paint(ImageDraw.Draw(small))
    paper = small.resize((_UNIT * 4, _UNIT * 4))
    side = max(min(width, height), 1)
    dots = paper.convert("L").resize((side, side)).point(lambda v: 255 if v > 127 else 0)
    return Bitmap(side, side, dots.convert("1").tobytes())
