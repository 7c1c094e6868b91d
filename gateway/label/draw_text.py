"""Text of a supplied label as dots: cells, blocks of lines, anchors and turns.

The printer's own fonts are not here: letters come from the font that ships with the gateway,
stretched to the width that the printer's would take. Places and sizes are right, shapes are not.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from PIL import Image

from gateway.label import fonts
from gateway.label.bitmap import Bitmap
from gateway.label.errors import TextRefused
from gateway.label.marks import Block, TextMark

_NARROWER = 0.80
"""The printers' scalable font is narrower than ours; measured on pictures of an independent
renderer that comes with a metric equivalent."""
_BASELINE = 0.75
"""Share of the cell height above the baseline; measured on the same pictures."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line as dots, with the top left corner that it takes, upright, from the anchor."""

    x: int
    y: int
    dots: Bitmap


def lines(mark: TextMark, most: int) -> list[Line]:
    """Lines of a text relative to its anchor, before turning; none wider than `most` dots."""
    block = mark.block
    if block is None or block.width <= 0:
        dots = _run(mark, mark.text, most)
        x = -dots.width if mark.right_aligned else 0
        return [Line(x, _top(mark, 0, most), dots)]
    said = wrapped(mark, block)
    pitch = mark.height + block.spacing
    rise = pitch * (block.lines - 1) if mark.from_baseline else 0
    out: list[Line] = []
    for number, text in enumerate(said):
        row = min(number, block.lines - 1)
        dots = _run(mark, text, most)
        left = block.indent if number else 0
        free = block.width - left - _width(mark, text)
        x = left + {"C": free // 2, "R": free}.get(block.align, 0)
        out.append(Line(x, _top(mark, row * pitch - rise, most), dots))
    return out


def _top(mark: TextMark, down: int, most: int) -> int:
    """Top of a line's dots, so that its baseline lies where the printer's does."""
    baseline = 0 if mark.from_baseline else round(mark.height * _BASELINE)
    size = _size(mark, most)
    ascent = fonts.letters(min(size, _LARGEST), not mark.fixed_pitch).ascent
    return down + baseline - (ascent if size <= _LARGEST else ascent * size // _LARGEST)


def wrapped(mark: TextMark, block: Block) -> list[str]:
    """Lines of a block: words move to the next line whole.

    Lines beyond the block's number stay in the list: a printer prints them over the last one.
    """
    out: list[str] = []
    for paragraph in mark.text.split("\n"):
        words = paragraph.split(" ")
        line = words[0]
        for word in words[1:]:
            if _width(mark, f"{line} {word}") <= block.width - (block.indent if out else 0):
                line = f"{line} {word}"
            else:
                out.append(line)
                line = word
        out.append(line)
        if len(out) > _MOST_LINES:
            break
    return out[: min(_MOST_LINES, block.lines + 10)]


_MOST_LINES = 400


def _ratio(mark: TextMark) -> float:
    """Width of a letter over its usual width in our font."""
    return (mark.width / mark.height if mark.width else 1.0) * _NARROWER


def extent(mark: TextMark) -> int:
    """Length of the text in dots along its line, as the printer would set it."""
    return _width(mark, mark.text[:500])


def _width(mark: TextMark, text: str) -> int:
    if mark.fixed_pitch:
        return len(text) * mark.width
    size = min(mark.height, 60)
    return round(_measured(text, size) * mark.height / size * _ratio(mark))


@lru_cache(maxsize=4096)
def _measured(text: str, size: int) -> int:
    try:
        return fonts.width(fonts.tidy(text), max(size, 4), bold=True)
    except (TextRefused, RuntimeError):
        return len(text) * size // 2


def _run(mark: TextMark, text: str, most: int) -> Bitmap:
    """One line, stretched to the width that it has on the printer, cut at `most` dots."""
    per_letter = mark.width if mark.fixed_pitch else max(mark.height * _ratio(mark) * 0.2, 1)
    text = text[: int(most / max(per_letter, 1)) + 2]
    text = "".join([char if char.isprintable() else " " for char in text])
    size = _size(mark, most)
    if not text.strip():
        return Bitmap(1, 1, b"\0")
    image = drawn(text, min(size, _LARGEST), bold=not mark.fixed_pitch)
    across = max(min(_width(mark, text), most), 1)
    height = image.height if size <= _LARGEST else image.height * size // _LARGEST
    if image.size != (across, height):
        image = image.resize((across, height))
    return Bitmap(across, height, image.tobytes())


_LARGEST = 200
"""Letters beyond this size are drawn smaller and enlarged: a hostile size must not cost memory."""


def drawn(text: str, size: int, *, bold: bool) -> Image.Image:
    """One line as a mask. Letters are not kept: sizes and texts of strangers have no end."""
    text = fonts.tidy(text)
    try:
        if not fonts.is_plain(text, bold):
            return fonts.draw(text, size, bold).image()
        own = fonts.letters(size, bold)
        mask, (left, top) = own.font.getmask2(text, mode="1", anchor="ls")
        canvas = Image.new("1", (max(left, 0) + max(mask.size[0], 1), own.height))
        if mask.size[0] and mask.size[1]:
            ink = Image.frombytes("L", mask.size, bytes(mask)).convert("1")
            canvas.paste(1, (max(left, 0), own.ascent + top), ink)
    except (TextRefused, RuntimeError):  # the shaping library gives up on some sequences
        return _boxes(len(text), size).image()
    return canvas


def _size(mark: TextMark, most: int) -> int:
    return max(min(mark.height, most), 4)


def _boxes(count: int, size: int) -> Bitmap:
    """Empty frames where no font has the letters: never other letters, never question marks."""
    cell = np.zeros((size, max(size // 2, 4)), np.bool_)
    cell[[size // 8, -size // 8], 1:-1] = True
    cell[size // 8 : -size // 8, [1, -2]] = True
    return Bitmap.of(np.tile(cell, (1, count)))
