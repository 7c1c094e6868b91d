"""Faults of the bar codes on a supplied label: data, size, place and surroundings."""

import re
from collections.abc import Iterable

from gateway.label import gs1
from gateway.label.errors import DataRefused
from gateway.label.gs1_checks import check_digit
from gateway.label.marks import (
    Box,
    ImageMark,
    Mark,
    Notes,
    ShapeMark,
    SymbolMark,
    TextMark,
)
from gateway.label.symbols import QUIET_MODULES
from schemas.inspection import FindingCode as Code

_QUIET = {symbology.value: quiet for symbology, quiet in QUIET_MODULES.items()}
_LEAST_READABLE_MM = 0.19
"""Thinnest module that common hand scanners read: common practice, no source."""
_LEAST_MM = {
    "gs1-128": 0.495,
    "gs1-datamatrix": 0.380,
    "ean-13": 0.264,
    "upc-a": 0.264,
    "ean-8": 0.264,
}
"""Thinnest modules that GS1 General Specifications allow: logistic units 0.495 mm, items at 80 %
0.264 mm, two-dimensional 0.380 mm (the last two from memory)."""
_USUAL_LEAST_MM = 0.24
"""For all others: common practice, no source."""
_LEAST_BARS_MM = 5.8
"""Floor of the bar height where space is short: GS1 General Specifications, symbol table 2."""
_LONGEST_GS1_128_MM = 165.10
"""GS1 General Specifications 5.4.4.3."""
_IDENTIFYING = frozenset({"00", "21", "253", "255", "401", "402", "8003", "8004", "8010", "8018"})
"""AIs that tell one unit or consignment from all others."""
_ITEM_ONLY = frozenset({"ean-13", "ean-8", "upc-a", "upc-e"})
_S10 = re.compile(r"([A-Z]{2})([0-9]{8})([0-9])([A-Z]{2})")
_FOURTEEN = re.compile(r"[0-9]{14}")
_LINK = re.compile(
    r"https?://[^/\s]+/(?:\S*/)?(00|01)/([0-9]{14}|[0-9]{18})(?:[/?#]|$)", re.IGNORECASE
)


def identifies(symbology: str, data: str, is_gs1: bool) -> bool:
    """Whether the code tells this parcel from others, as far as standards say.

    A route such as (420) or a GTIN stands on many labels: reading it proves nothing about a bag.
    """
    if symbology in _ITEM_ONLY:
        return False
    if symbology == "maxicode":  # its message is sure only where its parts could be told apart
        return gs1.GS in data
    if not is_gs1:
        gtin = symbology == "itf" and _FOURTEEN.fullmatch(data)
        return not (gtin and check_digit(data[:13]) == data[13])
    try:
        return any(element.ai in _IDENTIFYING for element in gs1.split(data))
    except DataRefused:
        return True


def check_data(symbology: str, data: str, is_gs1: bool, notes: Notes, offset: int) -> None:
    """Check digits and GS1 structure of what a scanner will report."""
    if is_gs1:
        _check_gs1(data, notes, offset)
    elif symbology == "itf":
        if _FOURTEEN.fullmatch(data) and check_digit(data[:13]) != data[13]:
            text = f"{data}: as a GTIN its check digit would be {check_digit(data[:13])}"
            notes.warn(Code.CHECK_DIGIT_WRONG, text, offset)
    elif match := _S10.fullmatch(data):
        right = _s10_check(match[2])
        if right != match[3]:
            text = f"{data}: check digit should be {right} (UPU S10)"
            notes.warn(Code.CHECK_DIGIT_WRONG, text, offset)
    elif re.fullmatch(r"00[0-9]{18}", data) and symbology == "code128":
        text = f"{data} looks like an SSCC, yet FNC1 is missing: it is no GS1-128"
        notes.warn(Code.GS1_STRUCTURE, text, offset)
    elif (match := _LINK.match(data)) and check_digit(match[2][:-1]) != match[2][-1]:
        text = f"({match[1]}) {match[2]}: check digit should be {check_digit(match[2][:-1])}"
        notes.error(Code.CHECK_DIGIT_WRONG, text, offset)


def _s10_check(digits: str) -> str:
    """Weights 8 6 4 2 3 5 9 7; 11 less the remainder, 10 as 0 and 11 as 5 (UPU S10)."""
    total = sum(int(d) * w for d, w in zip(digits, (8, 6, 4, 2, 3, 5, 9, 7), strict=True))
    check = 11 - total % 11
    return str({10: 0, 11: 5}.get(check, check))


def _check_gs1(data: str, notes: Notes, offset: int) -> None:
    try:
        gs1.split(data)
    except DataRefused as refused:
        ai = refused.where.strip("()")
        known = gs1.identifiers().get(ai)
        has_check = known is not None and any("csum" in part.checks for part in known.parts)
        if "check digit is" in refused.what:
            notes.error(Code.CHECK_DIGIT_WRONG, str(refused), offset)
        elif (
            known
            and has_check
            and data.partition(gs1.GS)[0] == ai + data[len(ai) :][: known.longest - 1]
        ):
            text = f"({ai}) has {known.longest - 1} digits: its check digit is missing"
            notes.error(Code.CHECK_DIGIT_MISSING, text, offset)
        else:
            notes.warn(Code.GS1_STRUCTURE, str(refused), offset)


def check_size(mark: SymbolMark, dots_per_mm: float, notes: Notes) -> None:
    """Module width and bar height against what scanners and standards ask for."""
    symbol = mark.symbol
    module_mm = symbol.module / dots_per_mm
    least = _LEAST_MM.get(symbol.symbology, _USUAL_LEAST_MM)
    if symbol.width and symbol.symbology != "maxicode":
        if module_mm < _LEAST_READABLE_MM:
            text = f"{symbol.symbology} module of {module_mm:.3f} mm: scanners need about "
            notes.error(Code.MODULE_TOO_THIN, f"{text}{_LEAST_READABLE_MM} mm", mark.offset)
        elif module_mm < least - 0.005:
            text = f"{symbol.symbology} module of {module_mm:.3f} mm is below {least} mm"
            notes.warn(Code.MODULE_TOO_THIN, text, mark.offset)
    whole_mm = (symbol.width + 20 * symbol.module) / dots_per_mm
    if symbol.symbology == "gs1-128" and whole_mm > _LONGEST_GS1_128_MM:
        text = f"{whole_mm:.1f} mm with quiet zones are above {_LONGEST_GS1_128_MM} mm"
        notes.warn(Code.SYMBOL_TOO_LONG, f"gs1-128 of {text}", mark.offset)
    if symbol.runs and symbol.height / dots_per_mm < _LEAST_BARS_MM - 0.05:
        text = f"bars of {symbol.height / dots_per_mm:.1f} mm are below {_LEAST_BARS_MM} mm"
        notes.warn(Code.SYMBOL_TOO_LOW, text, mark.offset)


def check_place(mark: SymbolMark, label: Box, notes: Notes) -> None:
    """Whether the symbol stands wholly on the printable part of the label, in dots."""
    box = mark.box
    if not box.width or not box.height:
        return
    overlap = _overlap(box, label)
    if overlap is None:
        text = f"{mark.symbol.symbology} {_shown(mark)} stands wholly outside the label"
        notes.error(Code.OFF_LABEL, text, mark.offset)
    elif (overlap.width, overlap.height) != (box.width, box.height):
        missing = max(box.width - overlap.width, box.height - overlap.height)
        text = f"{mark.symbol.symbology} {_shown(mark)} is cut: {missing} dots lie outside"
        notes.error(Code.CUT, text, mark.offset)


def inked(marks: Iterable[Mark]) -> list[tuple[Mark, Box]]:
    """Boxes that surely hold ink, with the mark that each belongs to."""
    return [(mark, box) for mark in marks for box in _ink(mark)]


def check_surroundings(
    mark: SymbolMark, inks: Iterable[tuple[Mark, Box]], label: Box, notes: Notes
) -> None:
    """Quiet zones free to the label's edge and of other marks, and nothing through the bars."""
    symbol = mark.symbol
    across, down = _QUIET.get(symbol.symbology, (10, 0) if symbol.linear else (1, 1))
    if mark.rotation in {90, 270}:
        across, down = down, across
    if not mark.box.width:
        return
    if mark.reverse:
        if any(other is not mark and _meets(ink, mark.box) for other, ink in inks):
            text = f"{symbol.symbology} {_shown(mark)} is white on black: few scanners read that"
            notes.warn(Code.INVERSE, text, mark.offset)
        return
    wide = _grown(mark.box, across * symbol.module, down * symbol.module)
    inside = _overlap(wide, label)
    if inside is not None and inside != wide and _overlap(mark.box, label) == mark.box:
        text = f"quiet zone of {symbol.symbology} {_shown(mark)} is cut by the label's edge"
        notes.warn(Code.QUIET_ZONE, text, mark.offset)
    close = [ink for other, ink in inks if other is not mark and _meets(ink, wide)]
    if any(_meets(ink, mark.box) for ink in close):
        text = f"another mark runs through {symbol.symbology} {_shown(mark)}"
        notes.error(Code.OVERPRINTED, text, mark.offset)
    elif close:
        text = f"another mark stands in the quiet zone of {symbol.symbology} {_shown(mark)}"
        notes.warn(Code.QUIET_ZONE, text, mark.offset)


def _ink(mark: Mark) -> list[Box]:
    """Boxes that surely hold ink; where that is unsure, none."""
    match mark:
        case SymbolMark():
            return [mark.box] if mark.box.width else []
        case ShapeMark():
            return _strokes(mark)
        case TextMark():
            return _text_box(mark)
        case ImageMark():
            return []


def _strokes(mark: ShapeMark) -> list[Box]:
    if mark.white or mark.reverse or mark.kind != "box":
        return []
    box, t = mark.box, mark.thickness
    if 2 * t >= min(box.width, box.height):
        return [box]
    return [
        Box(box.x, box.y, box.width, t),
        Box(box.x, box.bottom - t, box.width, t),
        Box(box.x, box.y, t, box.height),
        Box(box.right - t, box.y, t, box.height),
    ]


def _text_box(mark: TextMark) -> list[Box]:
    """A box that is rather too small than too large: only upright single lines are judged."""
    if mark.rotation or mark.block or mark.right_aligned or not mark.text.strip():
        return []
    per_character = mark.width * 0.9 if mark.fixed_pitch else (mark.width or mark.height) * 0.35
    width, height = int(len(mark.text) * per_character), int(mark.height * 0.6)
    top = mark.y - height if mark.from_baseline else mark.y + int(mark.height * 0.12)
    return [Box(mark.x, top, width, height)]


def _meets(one: Box, other: Box) -> bool:
    return (
        one.x < other.x + other.width
        and other.x < one.x + one.width
        and one.y < other.y + other.height
        and other.y < one.y + one.height
    )


def _overlap(one: Box, other: Box) -> Box | None:
    x, y = max(one.x, other.x), max(one.y, other.y)
    width, height = min(one.right, other.right) - x, min(one.bottom, other.bottom) - y
    return Box(x, y, width, height) if width > 0 and height > 0 else None


def _grown(box: Box, across: int, down: int) -> Box:
    return Box(box.x - across, box.y - down, box.width + 2 * across, box.height + 2 * down)


def _shown(mark: SymbolMark) -> str:
    data = mark.symbol.data.replace(gs1.GS, " ")
    return repr(data if len(data) <= 40 else data[:37] + "...")
