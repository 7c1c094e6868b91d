"""A supplied label's size and resolution, against the head and the stock that it will meet."""

import re
from dataclasses import dataclass

from gateway.label.marks import Box, ImageMark, Notes, ReadLabel, ShapeMark, SymbolMark
from schemas.inspection import FindingCode as Code
from schemas.inspection import SizeFrom
from schemas.order import LabelLanguage
from schemas.station import Printer

_DENSITIES = (8.0, 11.811, 12.0, 23.622, 24.0, 6.0)
"""Dots per mm of common heads; which figure is right is the printer's own to say."""
_COMMON_MM = ((101.6, 152.4), (100.0, 150.0), (105.0, 148.0), (102.0, 152.0), (101.6, 101.6),
              (101.6, 203.2), (101.6, 165.0), (100.0, 200.0))  # fmt: skip
_CLOSE_MM = 3.0
"""4 x 6 in and 100 x 150 mm stock are used for one another: they differ by 2.4 mm."""
_STATED = {
    LabelLanguage.ZPL: (re.compile(rb"\^PW\s*(\d{2,5})"), re.compile(rb"\^LL\s*(\d{2,5})")),
    LabelLanguage.EPL: (re.compile(rb"(?m)^q(\d{2,5})"), re.compile(rb"(?m)^Q(\d{2,5})")),
}


@dataclass(frozen=True, slots=True)
class Density:
    """Dots per mm that the label is read at, and who says so."""

    dots_per_mm: float
    source: SizeFrom


@dataclass(frozen=True, slots=True)
class ShownSize:
    """Label size in dots, and the part of it that head and stock can print."""

    width: int
    height: int
    usable_width: int
    usable_height: int
    source: SizeFrom


def density(
    content: bytes, language: LabelLanguage, stated: float | None, printer: Printer | None
) -> Density:
    """The sender's figure, else the printer's, else the one at which the size is a common one."""
    if stated is not None:
        return Density(stated, SizeFrom.STATED)
    if printer is not None:
        return Density(printer.dots_per_mm, SizeFrom.PRINTER)
    for_width, for_height = _STATED[language]
    head = content[:20_000]
    width, height = for_width.search(head), for_height.search(head)
    if width and height:
        for dots in _DENSITIES:
            if any(_alike(int(width[1]), int(height[1]), mm, dots) for mm in _COMMON_MM):
                return Density(dots, SizeFrom.GUESS)
    return Density(8.0, SizeFrom.GUESS)


def _alike(width: int, height: int, mm: tuple[float, float], dots_per_mm: float) -> bool:
    return (
        abs(width / dots_per_mm - mm[0]) <= _CLOSE_MM
        and abs(height / dots_per_mm - mm[1]) <= _CLOSE_MM
    )


def _extent(label: ReadLabel) -> Box:
    boxes = [
        mark.box for mark in label.marks if isinstance(mark, SymbolMark | ShapeMark | ImageMark)
    ]
    right = max((box.right for box in boxes), default=0)
    bottom = max((box.bottom for box in boxes), default=0)
    for mark in label.marks:
        if not isinstance(mark, SymbolMark | ShapeMark | ImageMark):
            along = round(len(mark.text) * (mark.width or mark.height * 0.6))
            across, down = (
                (along, mark.height) if mark.rotation % 180 == 0 else (mark.height, along)
            )
            right, bottom = max(right, mark.x + across), max(bottom, mark.y + down)
    return Box(0, 0, max(right, 1), max(bottom, 1))


def shown_size(label: ReadLabel, scale: float, printer: Printer | None) -> ShownSize:
    """Size in dots: what the stream states, else the loaded stock, else what is printed on."""
    stock = _stock(printer, scale)
    extent = _extent(label)
    if label.width and label.height:
        source = SizeFrom.STREAM
    else:
        source = SizeFrom.PRINTER if printer else SizeFrom.CONTENT
    width = label.width or (stock.width if stock else extent.width)
    height = label.height or (stock.height if stock else extent.height)
    usable_width, usable_height = width, height
    if printer is not None and stock is not None:
        head = round(printer.head_width_mm * scale)
        usable_width = min(width, head, stock.width + round(_CLOSE_MM * scale))
        usable_height = min(height, stock.height + round(_CLOSE_MM * scale))
    return ShownSize(width, height, usable_width, usable_height, source)


def _stock(printer: Printer | None, scale: float) -> Box | None:
    if printer is None:
        return None
    return Box(0, 0, round(printer.label_width_mm * scale), round(printer.label_height_mm * scale))


def check_size_of(
    label: ReadLabel, made_for: Density, printer: Printer | None, notes: Notes
) -> None:
    """Resolution first: a label made for another head looks like one of another size."""
    if printer is None:
        return
    stated = made_for.source is SizeFrom.STATED
    told = _check_stated(label, made_for, printer, notes) if stated else False
    if told or (not stated and _check_guessed(label, printer, notes)):
        return
    scale = made_for.dots_per_mm
    if label.width and label.width > round(printer.head_width_mm * scale):
        text = (
            f"the label is {label.width / scale:.1f} mm wide, the head {printer.head_width_mm} mm"
        )
        notes.warn(Code.HEAD_TOO_NARROW, text, label.offset)
    for name, dots, stock_mm in (
        ("wide", label.width, printer.label_width_mm),
        ("long", label.height, printer.label_height_mm),
    ):
        if dots is None:
            continue
        text = f"the label is {dots / scale:.1f} mm {name}, the stock {stock_mm:.1f} mm"
        if dots / scale > stock_mm + _CLOSE_MM:
            notes.error(Code.SIZE_MISMATCH, text, label.offset)
        elif dots / scale < stock_mm - _CLOSE_MM:
            notes.warn(Code.SIZE_MISMATCH, text, label.offset)


def _check_stated(label: ReadLabel, made_for: Density, printer: Printer, notes: Notes) -> bool:
    ratio = made_for.dots_per_mm / printer.dots_per_mm
    if abs(ratio - 1) > 0.03:
        text = (
            f"made for {made_for.dots_per_mm:g} dots per mm, the head has "
            f"{printer.dots_per_mm:g}: everything would print {ratio:.2f} times as large"
        )
        notes.error(Code.DPI_MISMATCH, text, label.offset)
        return True
    if abs(ratio - 1) > 0.001:
        drift = abs(ratio - 1) * printer.label_height_mm
        text = (
            f"made for {made_for.dots_per_mm:g} dots per mm, the head has "
            f"{printer.dots_per_mm:g}: {drift:.1f} mm over the label's length"
        )
        notes.warn(Code.DPI_MISMATCH, text, label.offset)
    return False


def _check_guessed(label: ReadLabel, printer: Printer, notes: Notes) -> bool:
    """A size that suits the stock at another head's resolution, and not at this one's."""
    extent = _extent(label)
    stock = (printer.label_width_mm, printer.label_height_mm)
    here = printer.dots_per_mm
    if label.width and label.height:
        if _alike(label.width, label.height, stock, here):
            return False
        fits = [dots for dots in _DENSITIES if _alike(label.width, label.height, stock, dots)]
    else:
        if (
            extent.width / here <= stock[0] + _CLOSE_MM
            and extent.height / here <= stock[1] + _CLOSE_MM
        ):
            return False
        fits = [
            dots
            for dots in _DENSITIES
            if dots > here
            and 0.7 * stock[0] < extent.width / dots <= stock[0] + _CLOSE_MM
            and extent.height / dots <= stock[1] + _CLOSE_MM
        ]
    if not fits:
        return False
    text = (
        f"the label suits the stock at {fits[0]:g} dots per mm; the head has {here:g}: it was "
        "made for another printer"
    )
    notes.error(Code.DPI_MISMATCH, text, label.offset)
    return True
