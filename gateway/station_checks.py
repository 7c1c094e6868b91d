"""What can be wrong with one station of a site file: supply, lines, printer, label, row."""

import re
from collections.abc import Iterator
from difflib import get_close_matches

from adapters import registry
from adapters.contract import LineSettings
from adapters.errors import Misconfigured
from gateway.site_file import Finding, Reading, Severity, looks_secret
from schemas.order import Purpose
from schemas.rules import Packing
from schemas.site import Site
from schemas.station import LineToStation, Media, OptionValue, Printer, Station, Verify
from schemas.supply import Bag, PreOpenedBag, SealedFilm, Tubing

_KNOWN_DOTS = (5.9, 6.0, 8.0, 11.811, 11.8, 12.0, 23.622, 23.6, 24.0)
"""Dots per mm of heads in use, from 150 to 600 to the inch (common practice, no source)."""


def station_checks(site: Site, reading: Reading, index: int, station: Station) -> Iterator[Finding]:
    """Every finding about one station; `index` is its place in the file."""
    yield from _supply(site, reading, index, station)
    yield from _adapter_options(reading, index, station)
    yield from _unheard_reports(reading, index, station)
    yield from _printer(reading, index, station)
    yield from _label_room(site, reading, index, station)
    yield from _row(site, reading, index, station)


def _supply(site: Site, reading: Reading, index: int, station: Station) -> Iterator[Finding]:
    where = f"station {station.id}"
    if not station.loaded:
        yield Finding(
            Severity.WARNING,
            reading.line_of("station", index),
            where,
            "nothing is loaded, so every order scanned there goes to manual packing",
            "add [[station.loaded]] with the bag that is on it",
        )
    films = {film.id: film for film in site.film}
    bags = {bag.id: bag for bag in site.bag}
    slots: set[int] = set()
    for place, load in enumerate(station.loaded):
        line = reading.line_of("station", index, "loaded", place)
        if load.slot in slots:
            yield Finding(
                Severity.ERROR, line, where, f"two bags are loaded in slot {load.slot}",
                "give each its own slot",
            )  # fmt: skip
        slots.add(load.slot)
        film = films[bags[load.bag].film]
        if film.dark and station.printer.media is Media.ON_FILM:
            yield Finding(
                Severity.ERROR, line, where,
                f"{load.bag} is dark film and the station prints on the film: no code could be"
                " read",
                "load a light film, or apply labels",
            )  # fmt: skip


def _adapter_options(reading: Reading, index: int, station: Station) -> Iterator[Finding]:
    for place, line in enumerate(station.lines):
        try:
            registry.build(line.kind, LineSettings(station.id, line.options))
        except Misconfigured as wrong:
            named = re.search(r"option (\w+)", wrong.what)
            option = named[1] if named else ""
            if is_secret_in_clear(option, line.options.get(option, "")):
                continue  # told once, as a secret
            step, do = _option_to_mend(wrong, line, option)
            yield Finding(
                Severity.ERROR,
                reading.line_of("station", index, "lines", place, *step),
                f"station {station.id}, lines {place + 1}, kind {line.kind}",
                wrong.what.removeprefix(f"station {station.id}, "),
                do,
            )


def is_secret_in_clear(option: str, value: OptionValue) -> bool:
    """Whether an option holds a secret itself, and not the name of its file or variable."""
    return bool(value) and looks_secret(option) and not option.endswith(("_env", "_file"))


def _unheard_reports(reading: Reading, index: int, station: Station) -> Iterator[Finding]:
    for place, line in enumerate(station.lines):
        if line.kind == "http" and not {"secret_file", "secret_env"} & line.options.keys():
            yield Finding(
                Severity.NOTE,
                reading.line_of("station", index, "lines", place, "options"),
                f"station {station.id}, lines {place + 1}, kind {line.kind}",
                "there is no secret, so what the station reports by itself is not taken",
                "name secret_file or secret_env if it signs reports",
            )


def _option_to_mend(
    wrong: Misconfigured, line: LineToStation, option: str
) -> tuple[tuple[str, ...], str]:
    """The part of the line that the adapter complains of, and what to do."""
    if not option:
        return ("kind",), wrong.do.rstrip(".")
    close = get_close_matches(option, [*line.options], n=1)
    if option in line.options or not close:
        return ("options", option), wrong.do.rstrip(".")
    return ("options", close[0]), f"is `{close[0]}` meant for it?"


def _printer(reading: Reading, index: int, station: Station) -> Iterator[Finding]:
    printer = station.printer
    where = f"station {station.id}, printer"
    dots, head = label_dots(printer), head_dots(printer)
    if dots > head:
        yield Finding(
            Severity.ERROR,
            reading.line_of("station", index, "printer", "label_width_mm"),
            where,
            f"a label {printer.label_width_mm:g} mm wide is {dots} dots at"
            f" {printer.dots_per_mm:g} dots/mm; the head of {printer.head_width_mm:g} mm has"
            f" {head}, so {dots - head} would be cut off",
            "use a narrower label or a wider head",
        )
    if not any(abs(printer.dots_per_mm - known) <= 0.06 for known in _KNOWN_DOTS):
        yield Finding(
            Severity.WARNING,
            reading.line_of("station", index, "printer", "dots_per_mm"),
            where,
            f"{printer.dots_per_mm:g} dots/mm is no usual head: 203 dpi is 8, 300 dpi is 11.811"
            " or 12, 600 dpi is 23.622 or 24",
            "take the figure from the printer's own data sheet",
        )


def label_dots(printer: Printer) -> int:
    """Dots that the label's width needs, part dots counted whole."""
    return _whole_up(printer.label_width_mm * printer.dots_per_mm)


def head_dots(printer: Printer) -> int:
    """Whole dots that the head has."""
    return int(printer.head_width_mm * printer.dots_per_mm + 1e-6)


def _whole_up(value: float) -> int:
    return -int(-(value - 1e-6) // 1)


def _label_room(site: Site, reading: Reading, index: int, station: Station) -> Iterator[Finding]:
    bags = {bag.id: bag for bag in site.bag}
    short = [_too_small_for_label(bags[load.bag], station, site.packing) for load in station.loaded]
    hopeless = bool(short) and all(short)
    for place, why in enumerate(short):
        if why:
            yield Finding(
                Severity.ERROR if hopeless else Severity.WARNING,
                reading.line_of("station", index, "loaded", place, "bag"),
                f"station {station.id}",
                f"{station.loaded[place].bag} can't carry the label: {why}",
                "use a smaller label, turn it with label_across, or load a larger bag",
            )


def _too_small_for_label(bag: Bag, station: Station, packing: Packing) -> str:
    width, length = largest_size_mm(bag)
    flat = length - bag.header_mm - bag.closing_seal_mm - bag.bottom_seal_mm - bag.skirt_mm
    across, along = station.printer.label_width_mm, station.printer.label_height_mm
    if station.label_across:
        across, along = along, across
    margins = 2 * packing.label_margin_mm
    if width - 2 * bag.side_seal_mm < across + margins:
        return (
            f"{across:g} mm and two margins of {packing.label_margin_mm:g} need"
            f" {across + margins:g} mm across, the bag has {width - 2 * bag.side_seal_mm:g}"
        )
    if flat < along + margins:
        return (
            f"{along:g} mm and two margins of {packing.label_margin_mm:g} need"
            f" {along + margins:g} mm along, the bag has {flat:g} between its seals"
        )
    return ""


def largest_size_mm(bag: Bag) -> tuple[float, float]:
    """Outer flat width and length of the bag, the largest that can be made of it."""
    match bag:
        case PreOpenedBag():
            return bag.width_mm, bag.length_mm
        case Tubing():
            return bag.lay_flat_width_mm, bag.max_length_mm
        case SealedFilm():
            return bag.max_width_mm, bag.max_length_mm


def _row(site: Site, reading: Reading, index: int, station: Station) -> Iterator[Finding]:
    where = f"station {station.id}"
    bags = {bag.id: bag for bag in site.bag}
    if station.bags_ahead and station.verify is not Verify.REQUIRED:
        yield Finding(
            Severity.WARNING,
            reading.line_of("station", index, "verify"),
            where,
            f"{station.bags_ahead} bag(s) are printed ahead and no scan is required: one bag taken"
            " out of the row would mislabel all that follow, unseen",
            'set verify = "required"',
        )
    if station.bags_ahead and len({load.bag for load in station.loaded}) > 1:
        yield Finding(
            Severity.WARNING,
            reading.line_of("station", index, "bags_ahead"),
            where,
            "bags are printed ahead and more than one size is loaded: the row already made keeps"
            " its size, so each change of size costs the bags in the row",
            "load one size, or set bags_ahead = 0",
        )
    if station.measures_items and any(
        isinstance(bags[load.bag], PreOpenedBag) for load in station.loaded
    ):
        yield Finding(
            Severity.NOTE, reading.line_of("station", index, "measures_items"), where,
            "goods are measured, but a pre-opened bag can't follow the measure",
        )  # fmt: skip
    if station.verify is Verify.NONE and Purpose.OUTBOUND in station.purposes:
        yield Finding(
            Severity.WARNING, reading.line_of("station", index, "verify"), where,
            "parcels leave without anybody reading their label",
            'set verify = "required" unless a scanner downstream does it',
        )  # fmt: skip
