"""Modules on whole dots within the standards' ranges, and errors that say what would fit."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.label import SymbolTooLarge
from gateway.label.sizing import LONGEST_GS1_128_MM, allowed, fit
from gateway.label.symbols import Extent, Symbology
from gateway.label.template import Use

SSCC = Extent(Symbology.GS1_128, 156, 1, "00")


@pytest.mark.parametrize(
    ("dots_per_mm", "modules"),
    [
        (8.0, {4, 5, 6, 7}),
        (300 / 25.4, {6, 7, 8, 9, 10, 11}),
        (12.0, {6, 7, 8, 9, 10, 11}),
        (600 / 25.4, set(range(12, 23))),
    ],
)
def test_whole_dot_modules_of_a_logistic_label(dots_per_mm: float, modules: set[int]) -> None:
    """Those between 0.495 and 0.940 mm. Source: GS1 General Specifications, symbol table 5."""
    found = set()
    for wide_mm in range(80, 166):
        try:
            room = (wide_mm * dots_per_mm, 40 * dots_per_mm)
            found.add(fit(SSCC, Use.LOGISTIC, dots_per_mm, room).module)
        except SymbolTooLarge:
            continue
    assert modules == found


def test_sscc_at_the_widest_module_would_break_the_length_limit() -> None:
    """An SSCC at 0.940 mm is 165.44 mm long, over the 165.10 mm cap: a narrower module is taken.

    Source: GS1 General Specifications 5.4.4.3.
    """
    dots_per_mm = 1000 / 0.940 / 25  # a head on which 0.940 mm is a whole number of dots
    fitted = fit(SSCC, Use.LOGISTIC, dots_per_mm, (400 * dots_per_mm, 40 * dots_per_mm))
    assert (fitted.width + 2 * fitted.quiet_across) / dots_per_mm <= LONGEST_GS1_128_MM
    assert 0.940 > fitted.module / dots_per_mm


def test_upright_sscc_on_a_common_head_has_one_module_only() -> None:
    """On 104 mm at 8 dots/mm only 4 dots (0.500 mm) fit an SSCC with its quiet zones."""
    assert 4 == fit(SSCC, Use.LOGISTIC, 8.0, (832, 300)).module


def test_symbol_without_room_says_what_it_needs_and_has() -> None:
    """The error holds the needed and the given width, and the box that would do."""
    with pytest.raises(SymbolTooLarge) as refused:
        fit(SSCC, Use.LOGISTIC, 8.0, (80 * 8, 300))
    assert 88.0 == refused.value.needed_mm
    assert 80.0 == refused.value.available_mm
    assert "88.00 mm" in refused.value.nearest
    assert 4 == fit(SSCC, Use.LOGISTIC, 8.0, (88 * 8, 300)).module


def test_bars_lower_than_the_use_demands_are_refused() -> None:
    """31.75 mm on a logistic label. Source: GS1 General Specifications, symbol table 5."""
    with pytest.raises(SymbolTooLarge, match=r"needs 31\.75 mm, has 20\.00 mm"):
        fit(SSCC, Use.LOGISTIC, 8.0, (832, 160))
    assert 254 == fit(SSCC, Use.LOGISTIC, 8.0, (832, 254)).height


def test_module_asked_for_but_not_allowed_is_refused_with_the_nearest() -> None:
    """0.3 mm is below a logistic label's range: the error names 4 dots, 0.500 mm."""
    with pytest.raises(SymbolTooLarge, match=r"4 dots are 0\.500 mm"):
        fit(SSCC, Use.LOGISTIC, 8.0, (832, 300), module_mm=0.3)


@given(
    st.sampled_from(list(Symbology)),
    st.sampled_from(list(Use)),
    st.floats(5, 50),
    st.integers(20, 300),
    st.tuples(st.floats(1, 4000), st.floats(1, 4000)),
)
def test_what_fits_is_within_range_and_room(
    kind: Symbology, use: Use, d: float, columns: int, room: tuple[float, float]
) -> None:
    """Whatever is returned lies in the use's range and in the room, quiet zones included."""
    rows = 1 if Extent(kind, columns, 1, "").is_linear else columns
    extent = Extent(kind, columns, rows, "")
    try:
        fitted = fit(extent, use, d, room)
    except SymbolTooLarge:
        return
    limits = allowed(kind, use)
    assert limits.least_mm - 0.001 <= fitted.module / d <= limits.most_mm + 0.001
    assert fitted.width + 2 * fitted.quiet_across <= room[0]
    if not extent.is_linear:
        assert fitted.height + 2 * fitted.quiet_down <= room[1]
