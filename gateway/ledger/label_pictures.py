"""Pictures of a label's bytes for the evidence file: whole, and blacked out.

Nobody can tell by rule which text of a label is a name: so the blacked picture keeps only frames
and the symbols that a verifying scan reads, and is black wherever anything else had ink.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from io import BytesIO

import numpy as np
import numpy.typing as npt
from PIL import Image

from gateway.label.errors import DataRefused
from gateway.label.image_codes import MAX_PIXELS, codes_in
from gateway.label.inspect import read_stream
from gateway.label.marks import ImageMark, Mark, ReadLabel, ShapeMark, StreamTooLarge, SymbolMark
from gateway.label.supplied import picture_of
from schemas.order import LabelLanguage
from schemas.station import Printer

_CELL_MM = 3.0
"""Ink is blacked out in bars of this height, so that neither letters nor words show."""

_EDGE_MM = 0.5
"""How far the box of a code that was found in an image may fall short of its bars."""

_Dots = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class LabelPictures:
    """Two pictures of one label, PNG, a pixel for a dot."""

    whole: bytes
    blacked: bytes


def label_pictures(
    content: bytes, language: LabelLanguage, expected_scans: Collection[str], printer: Printer
) -> LabelPictures:
    """Draw the first label of the bytes as this printer prints it.

    Raises `DataRefused` where the bytes hold no label or are too large to be read.
    """
    try:
        stream = read_stream(content, language, printer.dots_per_mm, frozenset())
    except StreamTooLarge as beyond:
        raise DataRefused("label", f"is not read: {beyond}") from beyond
    label = next((one for one in stream.labels if one.marks), None)
    if label is None:
        raise DataRefused("label", "the bytes hold no label that prints anything")
    codes = frozenset(expected_scans)

    symbols = [
        mark for mark in label.marks if isinstance(mark, SymbolMark) and mark.symbol.data in codes
    ]
    frames = [mark for mark in label.marks if isinstance(mark, ShapeMark)]
    everything = _ink(label, label.marks, printer)
    in_images = _in_images(label, codes, everything, printer)
    readable = _fitted(_ink(label, symbols, printer), everything) | in_images
    shown = _fitted(_ink(label, [*frames, *symbols], printer), everything) | in_images
    cell = max(1, round(_CELL_MM * printer.dots_per_mm))
    hidden = _filled(_cells(everything & ~shown, cell)) & ~_cells(readable, cell)
    black = _dots(hidden, cell, everything.shape)
    return LabelPictures(_png(everything, printer), _png(shown | black, printer))


def _ink(label: ReadLabel, marks: Sequence[Mark], printer: Printer) -> _Dots:
    """True where these marks of the label have ink."""
    image, whole = picture_of(replace(label, marks=tuple(marks)), printer.dots_per_mm, printer)
    if not whole:
        raise DataRefused("label", "there is too much on it to draw")
    return ~np.asarray(image, dtype=bool)


def _in_images(
    label: ReadLabel, codes: frozenset[str], everything: _Dots, printer: Printer
) -> _Dots:
    """The ink of the expected codes that the label carries as images, as EPL labels do."""
    sheet = np.zeros_like(everything)
    height, width = sheet.shape
    edge = round(_EDGE_MM * printer.dots_per_mm)
    for mark in label.marks:
        if label.mirrored or not isinstance(mark, ImageMark):
            continue
        if mark.stride * 8 * (len(mark.data) // mark.stride) > MAX_PIXELS:
            continue
        for code in codes_in(mark):
            if code.data in codes:
                box = code.box.turned_over(width, height) if label.turned else code.box
                down = slice(max(0, box.y - edge), box.bottom + edge)
                across = slice(max(0, box.x - edge), box.right + edge)
                sheet[down, across] = everything[down, across]
    return sheet


def _fitted(ink: _Dots, like: _Dots) -> _Dots:
    """The same ink on a sheet of the other's size: fewer marks may make a smaller sheet."""
    sheet = np.zeros_like(like)
    height, width = (min(pair) for pair in zip(ink.shape, like.shape, strict=True))
    sheet[:height, :width] = ink[:height, :width]
    return sheet


def _cells(ink: _Dots, cell: int) -> _Dots:
    """A coarse grid: true for every square of the sheet that has ink in it."""
    height, width = ink.shape
    rows, columns = -(-height // cell), -(-width // cell)
    padded = np.zeros((rows * cell, columns * cell), dtype=bool)
    padded[:height, :width] = ink
    inked = padded.reshape(rows, cell, columns, cell).any(axis=(1, 3))
    return np.asarray(inked, dtype=bool)


def _filled(cells: _Dots) -> _Dots:
    """Each row filled from its first to its last true cell."""
    from_left = np.logical_or.accumulate(cells, axis=1)
    from_right = np.logical_or.accumulate(cells[:, ::-1], axis=1)[:, ::-1]
    filled: _Dots = from_left & from_right
    return filled


def _dots(cells: _Dots, cell: int, shape: tuple[int, ...]) -> _Dots:
    whole: _Dots = cells.repeat(cell, axis=0).repeat(cell, axis=1)[: shape[0], : shape[1]]
    return whole


def _png(ink: _Dots, printer: Printer) -> bytes:
    out = BytesIO()
    dpi = printer.dots_per_mm * 25.4
    Image.fromarray(~ink).save(out, "PNG", dpi=(dpi, dpi), optimize=True)
    return out.getvalue()
