"""The picture of a supplied label for the supervisor: drawn by our own reader, never printed.

What the reader can't draw is named in a band below the label, outside its edge.
"""

import io

import numpy as np
from PIL import Image, ImageChops, ImageDraw

from gateway.label.bitmap import Bitmap
from gateway.label.canvas import Canvas, Ink
from gateway.label.draw_text import drawn, lines
from gateway.label.errors import DataRefused
from gateway.label.inspect import read_stream
from gateway.label.inspect_size import shown_size
from gateway.label.marks import (
    ImageMark,
    Mark,
    ReadLabel,
    ReadStream,
    ShapeMark,
    StreamTooLarge,
    SymbolMark,
    TextMark,
)
from schemas.inspection import FindingCode as Code
from schemas.order import LabelLanguage
from schemas.station import Printer

_MOST_DOTS = 6_000
"""Longest side of a picture: 10 in at 600 dpi. A larger label is drawn as far as this."""
_MOST_WORK = 60_000_000
"""Dots that all marks of a picture may cover together: 4 x 6 in at 600 dpi has 8.6 million."""


def draw(
    content: bytes,
    language: LabelLanguage,
    dots_per_mm: float,
    index: int = 0,
    *,
    printer: Printer | None = None,
) -> bytes:
    """The label number `index` of the stream as PNG, one dot a pixel.

    `printer` gives the size where the stream states none. Raises `DataRefused` where the stream
    is too large to be read or has no such label.
    """
    try:
        stream = read_stream(content, language, dots_per_mm, frozenset())
    except StreamTooLarge as beyond:
        raise DataRefused("supplied label", f"is not read: {beyond}") from beyond
    if not 0 <= index < len(stream.labels):
        text = f"label {index + 1} is not there: the stream has {len(stream.labels)}"
        raise DataRefused("supplied label", text)
    label = stream.labels[index]
    sheet, whole = picture_of(label, dots_per_mm, printer)
    lacking = not_drawn(stream, label)
    if not whole:
        lacking = ("What comes last: there is too much to draw", *lacking)
    image = _with_band(sheet, lacking, dots_per_mm)
    file = io.BytesIO()
    dpi = dots_per_mm * 25.4
    image.save(file, "PNG", dpi=(dpi, dpi), compress_level=3)
    return file.getvalue()


def not_drawn(stream: ReadStream, label: ReadLabel) -> tuple[str, ...]:
    """Sentences about what the picture lacks: unknown commands first."""
    lacking = [
        f"{name} is not known ({count})" for name, (count, _) in sorted(stream.unknown.items())
    ]
    shown = {Code.NOT_DRAWN, Code.MISSING_OBJECT, Code.BAD_GRAPHIC}
    findings = (*stream.findings, *label.findings)
    lacking += [found.message for found in findings if found.code in shown]
    for mark in label.marks:
        if isinstance(mark, SymbolMark):
            lacking += [text for code, _, text in mark.symbol.troubles if code is Code.NOT_DRAWN]
    return tuple(dict.fromkeys(lacking))


def picture_of(
    label: ReadLabel, dots_per_mm: float, printer: Printer | None = None
) -> tuple[Image.Image, bool]:
    """The label in dots, mode 1, black on white; and whether all of it was drawn."""
    size = shown_size(label, dots_per_mm, printer)
    canvas = Canvas(min(size.width, _MOST_DOTS), min(size.height, _MOST_DOTS))
    work, whole = 0, True
    for mark in label.marks:
        work += _work(mark)
        if work > _MOST_WORK:
            whole = False
            break
        _draw(canvas, mark)
    image = canvas.image()
    if label.mirrored:
        image = image.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    return (image.transpose(Image.Transpose.ROTATE_180) if label.turned else image), whole


def _work(mark: Mark) -> int:
    """Dots that drawing a mark touches, roughly."""
    match mark:
        case TextMark():
            lines_of_it = 1 if mark.block is None else mark.block.lines + 10
            return min(len(mark.text) * 40, 10_000 * lines_of_it) * min(mark.height, 1000)
        case ShapeMark() if mark.kind == "box" and not mark.rounding:
            return 1000
        case SymbolMark():
            return mark.symbol.width * mark.symbol.height
        case _:
            return mark.box.width * mark.box.height


def _draw(canvas: Canvas, mark: Mark) -> None:
    match mark:
        case SymbolMark():
            _symbol(canvas, mark)
        case TextMark():
            _text(canvas, mark)
        case ShapeMark():
            _shape(canvas, mark)
        case ImageMark():
            _image(canvas, mark)


def _ink(reverse: bool) -> Ink:
    return Ink.INVERT if reverse else Ink.BLACK


def _symbol(canvas: Canvas, mark: SymbolMark) -> None:
    symbol, box = mark.symbol, mark.box
    if not (symbol.runs or symbol.rows):
        canvas.box(box.x, box.y, min(box.width, canvas.width), min(box.height, canvas.height), 2)
        return
    if symbol.rows:
        grid = Bitmap.from_rows(symbol.rows, symbol.columns)
        dots = grid.enlarged(symbol.module, symbol.module_down)
    else:
        dark = np.arange(len(symbol.runs)) % 2 == 0
        row = np.repeat(dark, symbol.runs)
        dots = Bitmap.of(np.tile(row, (symbol.height, 1)))
    canvas.bitmap(box.x, box.y, dots, turn=mark.rotation, ink=_ink(mark.reverse))
    if mark.caption.strip():
        _caption(canvas, mark)


def _caption(canvas: Canvas, mark: SymbolMark) -> None:
    """The text line that the printer adds, centred along the bars."""
    symbol, box = mark.symbol, mark.box
    size = max(12, min(9 * symbol.module, 40))
    shown = "".join(char if char.isprintable() else " " for char in mark.caption)[:80]
    line = _bitmap(drawn(shown, size, bold=False))
    start = (symbol.width - line.width) // 2
    away = -size - symbol.module if mark.caption_above else symbol.height + symbol.module
    x, y = _turned(start, away, line.width, line.height, mark.rotation, symbol.width, symbol.height)
    canvas.bitmap(box.x + x, box.y + y, line, turn=mark.rotation)


def _bitmap(mask: Image.Image) -> Bitmap:
    return Bitmap(mask.width, mask.height, mask.tobytes())


def _turned(
    x: int, y: int, width: int, height: int, rotation: int, whole_width: int, whole_height: int
) -> tuple[int, int]:
    """Top left corner of a part at x, y after the whole was turned and moved back to 0, 0."""
    if rotation == 90:
        return whole_height - y - height, x
    if rotation == 180:
        return whole_width - x - width, whole_height - y - height
    if rotation == 270:
        return y, whole_width - x - width
    return x, y


def _text(canvas: Canvas, mark: TextMark) -> None:
    most = max(canvas.width, canvas.height)
    if mark.height > 2 * most:
        return
    for line in lines(mark, most):
        dots = line.dots
        x, y = _about_anchor(line.x, line.y, dots.width, dots.height, mark)
        if mark.on_black:
            across, down = (mark.height, dots.width)[:: 1 if mark.rotation % 180 else -1]
            left, top = _about_anchor(line.x, 0, dots.width, mark.height, mark)
            canvas.rectangle(left, top, across, down)
            canvas.bitmap(x, y, dots, turn=mark.rotation, ink=Ink.WHITE)
        else:
            canvas.bitmap(x, y, dots, turn=mark.rotation, ink=_ink(mark.reverse))


def _about_anchor(x: int, y: int, width: int, height: int, mark: TextMark) -> tuple[int, int]:
    """Where a line lands. A text at a corner keeps its box's corner there, turned or not, in a
    language that states corners; a text at a baseline is turned about the baseline's start."""
    ax, ay = mark.x, mark.y
    if mark.from_baseline or mark.about_corner:
        if mark.rotation == 90:
            return ax - y - height, ay + x
        if mark.rotation == 180:
            return ax - x - width, ay - y - height
        if mark.rotation == 270:
            return ax + y, ay - x - width
        return ax + x, ay + y
    block = mark.block
    whole_width = block.width if block else width
    whole_height = mark.height if block is None else _block_height(mark)
    tx, ty = _turned(x, y, width, height, mark.rotation, whole_width, whole_height)
    return ax + tx, ay + ty


def _block_height(mark: TextMark) -> int:
    assert mark.block is not None
    return mark.height + (mark.height + mark.block.spacing) * (mark.block.lines - 1)


def _shape(canvas: Canvas, mark: ShapeMark) -> None:
    box = mark.box
    ink = Ink.INVERT if mark.reverse else Ink.WHITE if mark.white else Ink.BLACK
    if mark.kind == "box":
        _frame(canvas, mark, ink, mark.rounding * min(box.width, box.height) // 16)
        return
    mask = Image.new("1", (box.width, box.height), 0)
    pen = ImageDraw.Draw(mask)
    if mark.kind == "ellipse":
        pen.ellipse((0, 0, box.width - 1, box.height - 1), fill=1)
        t = mark.thickness
        if 2 * t < min(box.width, box.height):
            pen.ellipse((t, t, box.width - 1 - t, box.height - 1 - t), fill=0)
    else:
        left, right = (box.height - 1, 0) if mark.kind == "rising" else (0, box.height - 1)
        pen.line((0, left, box.width - 1, right), fill=1, width=min(mark.thickness, box.width))
    canvas.bitmap(box.x, box.y, Bitmap(box.width, box.height, mask.tobytes()), ink=ink)


def _frame(canvas: Canvas, mark: ShapeMark, ink: Ink, radius: int) -> None:
    box, t = mark.box, mark.thickness
    if radius:
        canvas.box(box.x, box.y, box.width, box.height, t, ink=ink, radius=radius)
        return
    right, bottom = min(box.right, canvas.width), min(box.bottom, canvas.height)
    left, top = max(box.x, 0), max(box.y, 0)
    if 2 * t >= min(box.width, box.height):
        canvas.rectangle(left, top, right - left, bottom - top, ink)
        return
    for x, y, x_end, y_end in (
        (box.x, box.y, box.right, box.y + t),
        (box.x, box.bottom - t, box.right, box.bottom),
        (box.x, box.y + t, box.x + t, box.bottom - t),
        (box.right - t, box.y + t, box.right, box.bottom - t),
    ):
        from_x, from_y = max(x, 0), max(y, 0)
        width = min(x_end, canvas.width) - from_x
        canvas.rectangle(from_x, from_y, width, min(y_end, canvas.height) - from_y, ink)


def _image(canvas: Canvas, mark: ImageMark) -> None:
    rows = len(mark.data) // mark.stride
    width = mark.stride * 8
    if width > 2 * canvas.width:
        keep = canvas.width // 8 + 1
        packed = np.frombuffer(mark.data, np.uint8).reshape(rows, mark.stride)[:, :keep]
        dots = Bitmap(keep * 8, rows, packed.tobytes())
    else:
        dots = Bitmap(width, rows, mark.data)
    if mark.scale_x > 1 or mark.scale_y > 1:
        dots = dots.enlarged(mark.scale_x, mark.scale_y)
    canvas.bitmap(mark.box.x, mark.box.y, dots, ink=_ink(mark.reverse))


_BAND_LINES = 12


def _with_band(image: Image.Image, lacking: tuple[str, ...], dots_per_mm: float) -> Image.Image:
    """The picture with a band below it that says what it lacks; as it is where nothing lacks."""
    if not lacking:
        return image
    size = max(round(2.2 * dots_per_mm), 14)
    said = ["This picture lacks:", *lacking[:_BAND_LINES]]
    if len(lacking) > _BAND_LINES:
        said.append(f"and {len(lacking) - _BAND_LINES} more")
    width = max(image.width, 30 * size)
    canvas = Canvas(width, image.height + (len(said) + 1) * size)
    canvas.inked.paste(ImageChops.invert(image), (0, 0))
    for x in range(0, width, 12):
        canvas.rectangle(x, image.height + size // 4, 6, 2)
    for number, text in enumerate(said):
        plain = "".join(char if char.isprintable() else " " for char in text)
        line = _bitmap(drawn(plain[: width * 2 // size], size, bold=number == 0))
        canvas.bitmap(size // 2, image.height + size // 2 + number * size, line)
    return canvas.image()
