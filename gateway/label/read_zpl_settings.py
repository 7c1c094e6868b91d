"""What a ZPL printer remembers from one command to the next, and the commands that set it.

Source: the printer language's command descriptions; power-up values are those it documents.
"""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from gateway.label.marks import MAX_DOTS

_NUMBER = re.compile(r"\s*([+-]?\d{1,9}(?:\.\d{0,4})?)")
TURNS = {"N": 0, "R": 90, "I": 180, "B": 270}

ENCODINGS = {
    **dict.fromkeys(range(14), "cp850"),
    15: "shift_jis",
    27: "cp1252",
    28: "utf-8",
    29: "utf-16-be",
    30: "utf-16-le",
    31: "cp1250",
    33: "cp1251",
    34: "cp1253",
    35: "cp1254",
    36: "cp1255",
}
"""Character sets of ^CI. 0 to 12 differ from code page 850 in a few national signs."""


@dataclass(slots=True)
class Settings:
    """State that outlives a field; most of it outlives a label too. Lengths in dots."""

    dots_per_mm: float
    comma: bytes = b","
    """The sign between parameters."""
    encoding: str = "cp850"
    charset: int = 0
    module: int = 2
    ratio: float = 3.0
    bar_height: int = 10
    font: str = "A"
    font_height: int = 9
    font_width: int = 5
    turn: str = "N"
    right_aligned: bool = False
    home_x: int = 0
    home_y: int = 0
    width: int | None = None
    length: int | None = None
    shift_left: int = 0
    shift_down: int = 0
    reverse: bool = False
    turned: bool = False
    mirrored: bool = False
    scale: float = 1.0
    """Dots per stated unit (^MU)."""


def number(params: list[str], place: int) -> float | None:
    """The parameter at `place`, or None where it is missing or no number."""
    if place >= len(params):
        return None
    match = _NUMBER.match(params[place])
    return float(match[1]) if match else None


def dots(settings: Settings, params: list[str], place: int, default: int) -> int:
    """A length parameter in dots, within what the language can state."""
    value = number(params, place)
    if value is None:
        return default
    return max(min(round(value * settings.scale), MAX_DOTS), -MAX_DOTS)


def letter(params: list[str], place: int, default: str) -> str:
    """The parameter at `place` as one capital letter."""
    return (params[place][:1].upper() if place < len(params) else "") or default


def _bar_code_default(settings: Settings, params: list[str]) -> None:
    settings.module = max(1, min(dots(settings, params, 0, settings.module), 100))
    ratio = number(params, 1)
    if ratio is not None:
        settings.ratio = max(2.0, min(ratio, 3.0))
    settings.bar_height = max(1, dots(settings, params, 2, settings.bar_height))


def _default_font(settings: Settings, params: list[str]) -> None:
    settings.font = letter(params, 0, settings.font)
    height, width = dots(settings, params, 1, 0), dots(settings, params, 2, 0)
    if height or width:
        settings.font_height, settings.font_width = max(height, 0), max(width, 0)


def _units(settings: Settings, params: list[str]) -> None:
    unit = letter(params, 0, "D")
    per_unit = {"D": 1.0, "M": settings.dots_per_mm, "I": settings.dots_per_mm * 25.4}
    settings.scale = per_unit.get(unit, 1.0)
    base, wanted = number(params, 1), number(params, 2)
    if unit == "D" and base and wanted and base > 0 and math.isfinite(wanted / base):
        settings.scale = max(0.1, min(wanted / base, 10.0))


def _home(settings: Settings, params: list[str]) -> None:
    settings.home_x = dots(settings, params, 0, settings.home_x)
    settings.home_y = dots(settings, params, 1, settings.home_y)


def _length(settings: Settings, params: list[str]) -> None:
    stated = dots(settings, params, 0, 0)
    settings.length = stated if stated > 0 else settings.length


def _width(settings: Settings, params: list[str]) -> None:
    stated = dots(settings, params, 0, 0)
    settings.width = stated if stated > 0 else settings.width


def _field_default(settings: Settings, params: list[str]) -> None:
    settings.turn = letter(params, 0, settings.turn)
    settings.right_aligned = letter(params, 1, "0") == "1"


def _character_set(settings: Settings, params: list[str]) -> None:
    settings.charset = int(number(params, 0) or 0)
    settings.encoding = ENCODINGS.get(settings.charset, "")


def _flag(name: str, on: str) -> Callable[[Settings, list[str]], None]:
    def set_flag(settings: Settings, params: list[str]) -> None:
        setattr(settings, name, letter(params, 0, "N") == on)

    return set_flag


def _shift(name: str) -> Callable[[Settings, list[str]], None]:
    def set_shift(settings: Settings, params: list[str]) -> None:
        setattr(settings, name, dots(settings, params, 0, 0))

    return set_shift


SETTERS: dict[str, Callable[[Settings, list[str]], None]] = {
    "^BY": _bar_code_default,
    "^CF": _default_font,
    "^CI": _character_set,
    "^FW": _field_default,
    "^LH": _home,
    "^LL": _length,
    "^LR": _flag("reverse", "Y"),
    "^LS": _shift("shift_left"),
    "^LT": _shift("shift_down"),
    "^MU": _units,
    "^PM": _flag("mirrored", "Y"),
    "^PO": _flag("turned", "I"),
    "^PW": _width,
}
