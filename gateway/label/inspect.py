"""What a supplied label will print, which codes prove it, and what is wrong with it.

The stream is read, never carried out, and never changed: a label either prints as it came or
not at all.
"""

from collections.abc import Callable, Iterable

from gateway.label.image_codes import MAX_PIXELS, codes_in
from gateway.label.inspect_size import Density, check_size_of, density, shown_size
from gateway.label.inspect_symbols import (
    check_data,
    check_place,
    check_size,
    check_surroundings,
    identifies,
    inked,
)
from gateway.label.inspect_texts import texts
from gateway.label.marks import (
    Box,
    ImageMark,
    Notes,
    ReadLabel,
    ReadStream,
    StreamTooLarge,
    Symbol,
    SymbolMark,
)
from gateway.label.read_epl import read as read_epl
from gateway.label.read_zpl import read as read_zpl
from schemas.inspection import (
    Finding,
    InspectedImage,
    InspectedLabel,
    InspectedSymbol,
    Inspection,
    Severity,
    UnknownCommand,
)
from schemas.inspection import FindingCode as Code
from schemas.order import LabelLanguage
from schemas.station import Printer

_LONGEST_SCAN = 400
"""Longest code that the contract carries from a scanner."""


def read_stream(
    content: bytes, language: LabelLanguage, dots_per_mm: float, allowed: frozenset[str]
) -> ReadStream:
    """Marks and findings of a stream in its language. Raises `StreamTooLarge`."""
    reader = read_zpl if language is LabelLanguage.ZPL else read_epl
    return reader(content, allowed, dots_per_mm)


def inspect(
    content: bytes,
    language: LabelLanguage,
    *,
    dots_per_mm: float | None = None,
    printer: Printer | None = None,
    allowed_commands: frozenset[str] = frozenset(),
    known_codes: Callable[[str], bool] | frozenset[str] = frozenset(),
) -> Inspection:
    """Read a supplied label and say what a person should know before it prints.

    `dots_per_mm`: what the label was made for, where its sender says so. `printer`: the head and
    stock that it shall print on. `allowed_commands`: names such as `^DF` that the site allows.
    `known_codes`: codes that other open orders already carry. Raises nothing: a stream beyond the
    reader's limits comes back as one finding.
    """
    made_for = density(content, language, dots_per_mm, printer)
    is_known = known_codes if callable(known_codes) else known_codes.__contains__
    try:
        stream = read_stream(content, language, made_for.dots_per_mm, allowed_commands)
        labels = tuple(_label(label, made_for, printer, is_known) for label in stream.labels)
        of_stream = _of_stream(stream, content, language, printer)
    except StreamTooLarge as beyond:
        return _refused(language, made_for, beyond)
    return Inspection(
        language=language,
        dots_per_mm=made_for.dots_per_mm,
        dots_per_mm_from=made_for.source,
        labels=labels,
        findings=(
            *stream.findings,
            *of_stream,
            *(found for label in labels for found in label.findings),
        ),
        unknown_commands=tuple(
            UnknownCommand(command=name, count=count, offset=first)
            for name, (count, first) in stream.unknown.items()
        ),
    )


def _refused(language: LabelLanguage, made_for: Density, beyond: StreamTooLarge) -> Inspection:
    why = Finding(
        code=Code.TOO_LARGE, severity=Severity.ERROR, message=str(beyond), offset=beyond.offset
    )
    return Inspection(
        language=language,
        dots_per_mm=made_for.dots_per_mm,
        dots_per_mm_from=made_for.source,
        findings=(why,),
    )


def _of_stream(
    stream: ReadStream, content: bytes, language: LabelLanguage, printer: Printer | None
) -> tuple[Finding, ...]:
    notes = Notes()
    if not stream.labels:
        notes.error(Code.NO_LABEL, "the stream prints no label", 0)
    elif len(stream.labels) > 1:
        text = f"{len(stream.labels)} labels where one is expected"
        notes.error(Code.SEVERAL_LABELS, text, stream.labels[1].offset)
    if language is LabelLanguage.EPL and b"^XA" in content[:400].upper():
        notes.error(Code.LANGUAGE_MISMATCH, "the stream begins like ZPL, not EPL", 0)
    elif language is LabelLanguage.ZPL and not stream.labels and b"\nN" in b"\n" + content[:400]:
        notes.error(Code.LANGUAGE_MISMATCH, "the stream begins like EPL, not ZPL", 0)
    if printer is not None and printer.language is not language:
        text = f"the label is {language.upper()}, the printer speaks {printer.language.upper()}"
        notes.error(Code.LANGUAGE_MISMATCH, text, 0)
    for name, (count, first) in stream.unknown.items():
        times = "" if count == 1 else f", {count} times"
        text = f"{name} is not known here{times}: what it does and prints can't be told"
        notes.warn(Code.UNKNOWN_COMMAND, text, first)
    return tuple(notes.found)


def _label(
    label: ReadLabel,
    made_for: Density,
    printer: Printer | None,
    is_known: Callable[[str], bool],
) -> InspectedLabel:
    notes = Notes()
    scale = made_for.dots_per_mm
    size = shown_size(label, scale, printer)
    check_size_of(label, made_for, printer, notes)
    if label.quantity != 1:
        text = f"the label asks for {label.quantity} copies where one is expected"
        notes.error(Code.QUANTITY, text, label.offset)
    area = Box(0, 0, size.usable_width, size.usable_height)
    symbols = _symbols(label, scale, area, notes)
    expected = _expected(symbols, notes)
    for code in expected:
        if is_known(code):
            notes.error(
                Code.CODE_IN_USE, f"{code!r} is carried by another open order", label.offset
            )
    return InspectedLabel(
        width_mm=_mm(size.width, scale),
        height_mm=_mm(size.height, scale),
        size_from=size.source,
        quantity=label.quantity,
        symbols=tuple(symbols),
        texts=tuple(texts(label, scale, area, notes)),
        images=tuple(_images(label, scale, area, notes)),
        expected_scans=expected,
        findings=label.findings + tuple(notes.found),
    )


def _symbols(label: ReadLabel, scale: float, area: Box, notes: Notes) -> list[InspectedSymbol]:
    found: list[InspectedSymbol] = []
    inks = inked(label.marks)
    for mark in label.marks:
        if isinstance(mark, SymbolMark):
            symbol = mark.symbol
            for code, severity, message in symbol.troubles:
                notes.add(code, severity, message, mark.offset)
            check_data(symbol.symbology, symbol.data, symbol.gs1, notes, mark.offset)
            check_size(mark, scale, notes)
            check_place(mark, area, notes)
            check_surroundings(mark, inks, area, notes)
            found.append(_inspected(mark, scale))
    for mark in _in_images(label, scale, notes):
        symbol = mark.symbol
        check_data(symbol.symbology, symbol.data, symbol.gs1, notes, mark.offset)
        check_size(mark, scale, notes)
        check_place(mark, area, notes)
        found.append(_inspected(mark, scale, from_image=True))
    return found


def _inspected(mark: SymbolMark, scale: float, *, from_image: bool = False) -> InspectedSymbol:
    symbol, box = mark.symbol, mark.box
    return InspectedSymbol(
        symbology=symbol.symbology,
        data=symbol.data,
        gs1=symbol.gs1,
        x_mm=_mm(box.x, scale),
        y_mm=_mm(box.y, scale),
        width_mm=_mm(box.width, scale),
        height_mm=_mm(box.height, scale),
        module_mm=_mm(symbol.module, scale),
        rotation=mark.rotation,
        identifies=identifies(symbol.symbology, symbol.data, symbol.gs1),
        from_image=from_image,
        offset=mark.offset,
    )


def _in_images(label: ReadLabel, scale: float, notes: Notes) -> list[SymbolMark]:
    """Bar codes inside bitmaps; images too small for one are passed over."""
    found: list[SymbolMark] = []
    pixels = 0
    for mark in label.marks:
        if not isinstance(mark, ImageMark) or min(mark.box.width, mark.box.height) < 5 * scale:
            continue
        pixels += mark.stride * 8 * (len(mark.data) // mark.stride)
        if pixels > MAX_PIXELS:
            text = "an image is too large to be searched for bar codes"
            notes.warn(Code.NOT_DRAWN, text, mark.offset)
            break
        for code in codes_in(mark):
            box = code.box
            symbol = Symbol(
                code.symbology, code.data, code.module, box.width, box.height, gs1=code.gs1
            )
            found.append(SymbolMark(symbol, box, code.rotation, mark.offset))
    return found


def _expected(symbols: Iterable[InspectedSymbol], notes: Notes) -> tuple[str, ...]:
    """Codes that prove the label: those of its own, or all where it has none of its own."""
    readable = [symbol for symbol in symbols if symbol.data]
    own = [symbol for symbol in readable if symbol.identifies]
    codes: dict[str, None] = {}
    for symbol in own or readable:
        if len(symbol.data) > _LONGEST_SCAN:
            text = f"{symbol.symbology} of {len(symbol.data)} characters is too long to verify by"
            notes.add(Code.SYMBOL_DATA, Severity.INFO, text, symbol.offset)
        else:
            codes[symbol.data] = None
    return tuple(codes)


def _images(label: ReadLabel, scale: float, area: Box, notes: Notes) -> Iterable[InspectedImage]:
    for mark in label.marks:
        if not isinstance(mark, ImageMark):
            continue
        box = mark.box
        if box.x < 0 or box.y < 0 or box.right - 7 > area.right or box.bottom > area.bottom:
            notes.warn(Code.CUT, "an image reaches beyond the label", mark.offset)
        yield InspectedImage(
            x_mm=_mm(box.x, scale),
            y_mm=_mm(box.y, scale),
            width_mm=_mm(box.width, scale),
            height_mm=_mm(box.height, scale),
            offset=mark.offset,
        )


def _mm(dots: float, scale: float) -> float:
    return round(dots / scale, 3)
