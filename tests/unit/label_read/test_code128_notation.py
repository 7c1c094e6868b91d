"""Code 128 in the printer language's notation, against the standard and the language's guide."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.label import code128
from gateway.label.read_code128 import automatic, data_of, stated

GS = "\x1d"


@pytest.mark.parametrize(
    ("field", "values", "check"),
    [
        # ISO/IEC 15417:2007 Figure 1 and Annex A.1
        ("AIM", (104, 33, 41, 45), 45),
        (">:AIM>51234", (104, 33, 41, 45, 99, 12, 34), 87),
        # GS1 General Specifications, Figures 5.4.2-1, 6.6.5-3 top and 6.6.5-5 top
        (
            ">;>800395123451234567895",
            (105, 102, 0, 39, 51, 23, 45, 12, 34, 56, 78, 95),
            96,
        ),
        (">;>8420454>658", None, None),
        (">;>842087109", None, None),
        # the worked example of set A in encyclopedias: PJJ123C (from memory)
        (">948424217181935", (103, 48, 42, 42, 17, 18, 19, 35), 54),
    ],
)
def test_published_values_and_check_characters_come_out(
    field: str, values: tuple[int, ...] | None, check: int | None
) -> None:
    """A field in the notation gives the symbol values and the check that the standard prints."""
    read = stated(field)
    if values is not None:
        assert values == read.values
        assert check == code128.check_value(read.values)
    assert () == read.dropped or field == ">;>842087109"


def test_guide_example_in_automatic_mode_gives_its_elements() -> None:
    """The language's guide prints this field for four chained elements (its section on ^BC)."""
    text, dropped = automatic(">;>80204017773003486100008535>8910001>837252", code128.FNC1)
    assert (
        code128.FNC1 + code128.FNC1.join(["0204017773003486100008535", "910001", "37252"]),
        (),
    ) == (text, dropped)


@pytest.mark.parametrize(
    ("field", "data"),
    [
        (">:a>0b", "a>b"),
        (">:a><b", "a^b"),
        (">:a>=b", "a~b"),
        (">:a>1", "a\x7f"),
        (">:A>8B", f"A{GS}B"),
        (">;12>6AB", "12AB"),
        (">;12>69", "129"),
        ("plain", "plain"),
        (">935>6x", "Cx"),
        (">:AB>41C", "AB1C"),
        (">;>80012>6X", "0012X"),
    ],
)
def test_invocation_codes_read_as_the_guide_lists_them(field: str, data: str) -> None:
    """Every code of the guide's table of invocation codes for ^BC means what the table says."""
    assert data == data_of(stated(field).values)


def test_lone_digit_in_set_c_is_told_as_dropped() -> None:
    """Set C takes pairs: a digit left over is ignored (guide), so the print lacks it."""
    read = stated(">;123")
    assert ("12", ("3",)) == (data_of(read.values), read.dropped)


def test_fnc4_marks_the_upper_half_of_latin_1() -> None:
    """FNC4 in set B adds 128 to the next character (ISO/IEC 15417)."""
    assert "\xe9A" == data_of(stated(">:>6iA").values)


@given(st.text(st.characters(max_codepoint=127), min_size=1, max_size=60))
def test_shortest_encoding_reads_back(text: str) -> None:
    """Values of any ASCII text, whatever their code sets and shifts, give the text again."""
    assert text == data_of(code128.encode(text)[:-2])


@given(st.text(max_size=200))
def test_any_field_is_read_without_error(field: str) -> None:
    """Whatever stands in the field, reading ends with valid symbol values."""
    values = stated(field).values
    assert all(0 <= value <= 105 for value in values)
    data_of(values)
