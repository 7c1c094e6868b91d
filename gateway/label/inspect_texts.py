"""Texts of a supplied label, and which of them would be cut or printed over one another."""

from collections.abc import Iterable

from gateway.label.draw_text import extent, wrapped
from gateway.label.marks import Box, Notes, ReadLabel, TextMark
from schemas.inspection import FindingCode as Code
from schemas.inspection import InspectedText

_ROOM_MM = 2.0
"""The printers' letters are a little wider or narrower than ours: so much is not held against."""


def texts(label: ReadLabel, scale: float, area: Box, notes: Notes) -> Iterable[InspectedText]:
    """Every text with its anchor in mm; `area` is the printable part of the label in dots."""
    for mark in label.marks:
        if isinstance(mark, TextMark):
            _check(mark, scale, area, notes)
            yield InspectedText(
                text=mark.text,
                x_mm=round(mark.x / scale, 3),
                y_mm=round(mark.y / scale, 3),
                height_mm=round(mark.height / scale, 3),
                rotation=mark.rotation,
                offset=mark.offset,
            )


def _check(mark: TextMark, scale: float, area: Box, notes: Notes) -> None:
    shown = repr(mark.text[:30])
    if not (area.x <= mark.x <= area.right and area.y <= mark.y <= area.bottom):
        notes.warn(Code.OFF_LABEL, f"text {shown} begins outside the label", mark.offset)
        return
    block = mark.block
    if block is not None and block.width > 0:
        lines = len(wrapped(mark, block))
        if lines > block.lines:
            text = f"text {shown} needs {lines} lines and has {block.lines}: they print over"
            notes.warn(Code.OVERPRINTED, f"{text} one another", mark.offset)
        return
    if mark.right_aligned:
        return
    far = extent(mark)
    room = {
        0: area.right - mark.x,
        90: area.bottom - mark.y,
        180: mark.x - area.x,
        270: mark.y - area.y,
    }
    if not mark.from_baseline and not mark.about_corner:  # the corner is that of the turned box
        room |= {180: area.right - mark.x, 270: area.bottom - mark.y}
    if far > room[mark.rotation] + _ROOM_MM * scale:
        text = f"text {shown} is about {far / scale:.0f} mm long and runs over the label's edge"
        notes.warn(Code.CUT, text, mark.offset)
