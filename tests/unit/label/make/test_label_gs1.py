"""GS1 data against the published examples, an independent parser and an independent encoder."""

import json
import re
from importlib import resources
from typing import Any

import biip
import pycountry
import pytest
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from stdnum import ean

from gateway.label import DataRefused, gs1, sscc
from gateway.label.gs1_checks import CHECKS, UNCHECKED, check_digit, is_country

SET_82 = "".join(chr(c) for c in range(33, 123) if re.match(r"[!-\"%-?A-Z_a-z]", chr(c)))


def test_published_check_digits(vectors: dict[str, Any]) -> None:
    """Each published key has the check digit that we compute."""
    for row in vectors["check_digit"]:
        assert row["check"] == check_digit(row["digits"]), row["source"]


@given(st.text("0123456789", min_size=7, max_size=17))
def test_check_digit_agrees_with_another_library(digits: str) -> None:
    """python-stdnum computes the same check digit for digits of any length."""
    assert ean.calc_check_digit(digits) == check_digit(digits)


@given(st.text("0123456789", min_size=17, max_size=17), st.integers(0, 16), st.integers(1, 9))
def test_one_wrong_digit_is_always_seen(digits: str, at: int, by: int) -> None:
    """Changing any one digit changes the check digit."""
    wrong = digits[:at] + str((int(digits[at]) + by) % 10) + digits[at + 1 :]
    assert check_digit(digits) != check_digit(wrong)


def test_published_messages(vectors: dict[str, Any]) -> None:
    """Bracketed input gives the message, with FNC1 only where it is needed, and back again."""
    for row in vectors["message"]:
        elements = gs1.from_brackets(row["written"])
        gs1.check_together(elements)
        assert row["message"] == "^" + gs1.message(elements).replace(gs1.GS, "^")
        assert elements == gs1.split(gs1.message(elements))


def test_published_digital_links(vectors: dict[str, Any]) -> None:
    """The same elements give the canonical Digital Link."""
    for row in vectors["message"]:
        assert row["link"] == gs1.digital_link(gs1.from_brackets(row["written"]))


def test_what_the_standard_refuses_is_refused(vectors: dict[str, Any]) -> None:
    """Wrong check digits, lengths, characters, dates, countries and companions name the AI."""
    for row in vectors["refused"]:
        with pytest.raises(DataRefused, match=r"^\(\d{2,4}\): "):
            gs1.check_together(gs1.from_brackets(row["written"]))


def test_day_zero_is_allowed_where_the_standard_allows_it() -> None:
    """Day 00 means the end of the month in (11), and is no date in (4326)."""
    assert gs1.check_element("11", "251200") == ("11", "251200")
    with pytest.raises(DataRefused, match=r"\(4326\).*day 00"):
        gs1.check_element("4326", "251200")


def test_error_names_ai_and_right_check_digit() -> None:
    """A wrong SSCC says which AI, which digit stands there and which should."""
    with pytest.raises(DataRefused) as refused:
        gs1.check_element("00", "106141412345678909")
    assert "(00)" == refused.value.where
    assert "is 9, should be 8" in str(refused.value)


def test_fixed_length_elements_that_still_need_a_separator() -> None:
    """(402), (4307), (4309), (4321) to (4326) and more are fixed and yet end in FNC1.

    Source: GS1 General Specifications Figure 7-6: the two-digit prefix decides, not the format.
    """
    for ai in (
        "402",
        "4307",
        "4309",
        "4321",
        "4324",
        "4326",
        "422",
        "8005",
        "8006",
        "8018",
        "7003",
    ):
        assert gs1.identifier(ai).needs_separator, ai
    predefined = {"00", "01", "02", "03", "11", "12", "13", "15", "16", "17", "20"}
    for ai, known in gs1.identifiers().items():
        fixed = ai[:2] in predefined or ai[:2] in {"31", "32", "33", "34", "35", "36", "41"}
        assert fixed is not known.needs_separator, ai


def test_table_agrees_with_another_package() -> None:
    """biip's own table holds the same AIs, the same separators and the same lengths."""
    table = resources.files("biip.gs1_application_identifiers")
    theirs = json.loads((table / "_application_identifiers.json").read_text("utf-8"))
    assert {e["ai"] for e in theirs} == gs1.identifiers().keys()
    for entry in theirs:
        ours = gs1.identifiers()[entry["ai"]]
        assert entry["separator_required"] is ours.needs_separator
        form = entry["format"].replace("N1..N2", "N2")
        digits = [int(n) for n in re.findall(r"[NXYZ](?:\.\.)?(\d+)", form)][1:]
        sign = entry["format"].count("[-]")
        assert sum(digits) + sign == ours.longest, entry


def test_every_check_of_the_dictionary_is_known() -> None:
    """Each check that an AI asks for is written, or is listed as left out."""
    asked = {c for i in gs1.identifiers().values() for part in i.parts for c in part.checks}
    assert asked == CHECKS.keys() | UNCHECKED


def test_countries_agree_with_pycountry() -> None:
    """ISO 3166-1 as pycountry lists it; UK and XK are not assigned."""
    assert all(is_country(c.alpha_2) and is_country(c.numeric) for c in pycountry.countries)
    assert not is_country("UK")
    assert not is_country("XK")


@given(st.text("0123456789", min_size=16, max_size=16), st.text(SET_82, min_size=1, max_size=20))
def test_another_parser_reads_our_messages(body: str, order: str) -> None:
    """biip takes SSCC, order number and count apart as they were put together."""
    code = sscc(body[:7], int(body[7]), int(body[7:]))
    said = gs1.message(
        [("00", code), ("02", gs1.gtin("9521234000013")), ("37", "4"), ("400", order)]
    )
    parsed = biip.parse("]C1" + said).gs1_message
    assert parsed is not None
    assert [code, "09521234000013", "4", order] == [e.value for e in parsed.element_strings]


@given(
    st.lists(
        st.sampled_from(["00", "10", "240", "37", "400", "403", "420", "4321", "90"]), unique=True,
        min_size=1,
    ),
    st.data(),
)  # fmt: skip
def test_message_and_split_are_inverse(ais: list[str], data: st.DataObject) -> None:
    """Any elements in any order come back as they went in."""
    values = {
        "00": st.just("095212340000004172"),
        "37": st.text("0123456789", min_size=1, max_size=8),
        "4321": st.sampled_from("01"),
    }
    text = st.text(SET_82, min_size=1, max_size=20)
    elements = tuple(gs1.Element(ai, data.draw(values.get(ai, text))) for ai in ais)
    assert elements == gs1.split(gs1.message(elements))


@given(st.text(SET_82, min_size=1, max_size=20))
def test_brackets_in_data_start_no_element(value: str) -> None:
    """A value that looks like a bracketed AI stays a value when it is given as an element."""
    elements = (gs1.Element("90", f"{value[:9]}(10)EVIL"),)
    assert elements == gs1.split(gs1.message(elements))


def test_scan_with_and_without_aim_identifier_are_one() -> None:
    """`]C1`, `]d2` and a leading separator are taken off, data is left alone."""
    for scan in ("]C100106141412345678908", "]d200106141412345678908", "\x1d00106141412345678908"):
        assert "00106141412345678908" == gs1.without_aim(scan)


@pytest.mark.parametrize("prefix", ["9521", "9521234", "952123456789"])
def test_sscc_is_what_another_library_takes(prefix: str) -> None:
    """biip accepts our SSCCs for short and long company prefixes."""
    code = sscc(prefix, 3, 42)
    assert 18 == len(code)
    assert biip.parse(f"]C100{code}").sscc_error is None


def test_serial_that_outgrew_its_room_is_refused() -> None:
    """A serial that no longer fits is an error: numbers are never wrapped round."""
    assert "09521234567899999" == sscc("952123456789", 0, 9999)[:-1]
    with pytest.raises(DataRefused, match="serial 10000 does not fit 4 digits"):
        sscc("952123456789", 0, 10000)


def test_short_gtins_are_padded_and_checked() -> None:
    """A GTIN-8, 12 or 13 is its 14-digit form with zeros; a wrong check digit is refused."""
    assert "00000095012346" == gs1.gtin("95012346")
    assert "00012345678905" == gs1.gtin("012345678905")
    with pytest.raises(DataRefused, match="should be 6"):
        gs1.gtin("95012347")


def test_digital_link_without_key_or_with_bare_qualifier_is_refused() -> None:
    """A link needs a key; a serial number alone may not stand in its query."""
    with pytest.raises(DataRefused, match="no element is a key"):
        gs1.digital_link([("10", "A")])
    with pytest.raises(DataRefused, match=r"\(21\)"):
        gs1.digital_link([("00", "106141412345678908"), ("21", "7")])


def test_library_trap_wrong_check_digit_stops_here() -> None:
    """zxing-cpp encodes a wrong SSCC without a word; our message refuses it first."""
    fmt = zxingcpp.BarcodeFormat.DataMatrix
    assert zxingcpp.create_barcode("[00]106141412345678909", fmt, gs1=True).valid
    with pytest.raises(DataRefused):
        gs1.message([("00", "106141412345678909")])
