"""How wide a module and how tall a bar has to be, and which of them falls on whole dots."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, floor
from types import MappingProxyType

from gateway.label.errors import SymbolTooLarge
from gateway.label.symbols import MATRIX_KINDS, QUIET_MODULES, Extent, Symbology
from gateway.label.template import Use

_ROUNDING_MM = 0.0005
"""Figures of the standards are rounded to this."""


@dataclass(frozen=True, slots=True)
class Range:
    """Module width from `least_mm` to `most_mm`; bars at least `height_mm` tall."""

    least_mm: float
    most_mm: float
    height_mm: float = 0.0


_BARS: Mapping[Use, Range] = MappingProxyType(
    {
        # GS1 General Specifications, symbol table 5; 31.75 mm there, 0.940 mm from memory
        Use.LOGISTIC: Range(0.495, 0.940, 31.75),
        # symbol table 2; its footnote allows lower bars where room is short
        Use.TRADE: Range(0.495, 1.016, 5.8),
        # symbol table 1, from memory
        Use.RETAIL: Range(0.264, 0.660, 5.8),
        # common practice, no source: what a hand scanner reads across a bench
        Use.INTERNAL: Range(0.245, 1.016, 5.0),
    }
)
_MATRIX: Mapping[Use, Range] = MappingProxyType(
    {
        # GS1 General Specifications, two-dimensional symbols in general distribution, from memory
        Use.LOGISTIC: Range(0.495, 1.520),
        Use.TRADE: Range(0.495, 1.520),
        Use.RETAIL: Range(0.375, 0.990),
        Use.INTERNAL: Range(0.245, 2.000),
    }
)
LONGEST_GS1_128_MM = 165.10
"""With quiet zones. Source: GS1 General Specifications 5.4.4.3."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """A symbol on whole dots. Width and height are those of the symbol without quiet zones."""

    module: int
    width: int
    height: int
    quiet_across: int
    quiet_down: int


def allowed(symbology: Symbology, use: Use) -> Range:
    """The module range and least bar height of a symbology in a use."""
    return (_MATRIX if symbology in MATRIX_KINDS else _BARS)[use]


def fit(
    symbol: Extent,
    use: Use,
    dots_per_mm: float,
    room: tuple[float, float],
    *,
    module_mm: float | None = None,
    height_mm: float | None = None,
) -> Fitted:
    """The widest module on whole dots that the use allows and the room (dots) holds.

    `module_mm` asks for the widest that is not above it. `height_mm` is for bars; left out, they
    fill the room. Raises `SymbolTooLarge` with what is needed, what there is, and what would fit.
    """
    limits = allowed(symbol.symbology, use)
    quiet_across, quiet_down = QUIET_MODULES[symbol.symbology]
    across, rows = symbol.columns + 2 * quiet_across, symbol.rows + 2 * quiet_down
    most = (limits.most_mm + _ROUNDING_MM) * dots_per_mm
    if module_mm is not None:
        most = min(most, (module_mm + _ROUNDING_MM) * dots_per_mm)
    if symbol.symbology is Symbology.GS1_128:
        most = min(most, (LONGEST_GS1_128_MM + _ROUNDING_MM) * dots_per_mm / across)
    least = max(ceil((limits.least_mm - _ROUNDING_MM) * dots_per_mm), 1)
    fits = floor(room[0]) // across
    if not symbol.is_linear:
        fits = min(fits, floor(room[1]) // rows)
    module = min(floor(most), fits)
    if module < least:
        raise _too_large(symbol, use, dots_per_mm, room, (least, floor(most)))
    height = symbol.rows * module
    if symbol.is_linear:
        height = _bar_height(symbol, limits, dots_per_mm, room[1], height_mm)
    return Fitted(
        module, symbol.columns * module, height, quiet_across * module, quiet_down * module
    )


def _bar_height(
    symbol: Extent, limits: Range, dots_per_mm: float, room: float, wanted_mm: float | None
) -> int:
    wanted = floor(room) if wanted_mm is None else round(wanted_mm * dots_per_mm)
    least = floor(limits.height_mm * dots_per_mm)
    if wanted > floor(room) + 1 or wanted < least:
        raise SymbolTooLarge(
            f"{symbol.symbology.value}, height of the bars",
            needed_mm=max(limits.height_mm, wanted_mm or 0),
            available_mm=min(wanted, floor(room)) / dots_per_mm,
            nearest=f"give the bars {max(limits.height_mm, wanted_mm or 0):.2f} mm",
        )
    return wanted


def _too_large(
    symbol: Extent,
    use: Use,
    dots_per_mm: float,
    room: tuple[float, float],
    modules: tuple[int, int],
) -> SymbolTooLarge:
    least, most = modules
    quiet_across, quiet_down = QUIET_MODULES[symbol.symbology]
    across, rows = symbol.columns + 2 * quiet_across, symbol.rows + 2 * quiet_down
    what = f"{symbol.symbology.value} of {symbol.columns} modules and quiet zones"
    if most < least:
        limits = allowed(symbol.symbology, use)
        return SymbolTooLarge(
            f"{what} as {use.value}",
            needed_mm=least / dots_per_mm,
            available_mm=most / dots_per_mm,
            nearest=f"a module of {limits.least_mm} to {limits.most_mm} mm on whole dots: "
            f"{least} dots are {least / dots_per_mm:.3f} mm",
        )
    down = not symbol.is_linear and rows * least > floor(room[1])
    needed, has = (rows, room[1]) if down else (across, room[0])
    return SymbolTooLarge(
        f"{what}, {'down' if down else 'across'}",
        needed_mm=needed * least / dots_per_mm,
        available_mm=has / dots_per_mm,
        nearest=f"its smallest allowed module here is {least} dots ({least / dots_per_mm:.3f} mm), "
        f"give it a box of {needed * least / dots_per_mm:.2f} mm",
    )
