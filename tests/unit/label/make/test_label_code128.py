"""Code 128 against the standard's figures, another library's table and an independent decoder."""

import heapq
from typing import Any

import pytest
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from gateway.label import DataRefused, code128
from gateway.label.canvas import Canvas
from gateway.label.symbols import Symbology, encode

ASCII = st.text(st.characters(max_codepoint=127), min_size=1, max_size=24)


def picture_of(symbology: Symbology, data: str) -> Image.Image:
    """A symbol two dots to a module with its quiet zone."""
    symbol = encode(symbology, data)
    canvas = Canvas((symbol.columns + 24) * 2, 80)
    canvas.bars(24, 10, symbol, 2, 60)
    return canvas.image().convert("L")


def test_published_widths_and_check_characters(vectors: dict[str, Any]) -> None:
    """No symbol is wider than its published figure; same width and set, same check character."""
    for row in vectors["code128"]:
        values = code128.encode(row["data"].replace("^", code128.FNC1))
        assert sum(code128.widths(values)) <= row["modules"], row["source"]
        if "check" in row:
            assert row["check"] == values[-2], row["source"]


def test_published_example_with_start_a_and_b() -> None:
    """PJJ123C has check 54 from start A, 55 from B. Source: worked example, from memory."""
    data = [ord(c) - 32 for c in "PJJ123C"]
    assert 54 == code128.check_value((code128.START_A, *data))
    assert 55 == code128.check_value((code128.START_B, *data))


def test_patterns_are_well_formed() -> None:
    """Every pattern has 11 modules and six elements, the stop 13 and seven; none occurs twice.

    Source: ISO/IEC 15417.
    """
    assert {11} == {sum(w) for w in code128.WIDTHS[:-1]}
    assert {6} == {len(w) for w in code128.WIDTHS[:-1]}
    assert (13, 7) == (sum(code128.WIDTHS[-1]), len(code128.WIDTHS[-1]))
    assert len(code128.WIDTHS) == len(set(code128.WIDTHS)) == 107
    assert all(sum(w[0::2]) % 2 == 0 for w in code128.WIDTHS[:-1])


@given(ASCII)
def test_decoder_reads_any_ascii(text: str) -> None:
    """zxing-cpp reads back any ASCII text, control characters included."""
    (read,) = zxingcpp.read_barcodes(
        picture_of(Symbology.CODE128, text), formats=zxingcpp.BarcodeFormat.Code128
    )
    assert text.encode() == read.bytes
    assert "]C0" == read.symbology_identifier


@given(st.text("0123456789ABCab", min_size=1, max_size=20))
def test_never_longer_than_another_encoder(text: str) -> None:
    """libzint, through zxing-cpp, never needs fewer modules than we do."""
    theirs = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.Code128)
    width = theirs.to_image(scale=1, add_quiet_zones=False).shape[1]
    assert sum(code128.widths(code128.encode(text))) <= width


@given(st.text("01Aa\t" + code128.FNC1, min_size=1, max_size=7))
def test_no_shorter_encoding_exists(text: str) -> None:
    """A search of every sequence of set changes and shifts finds nothing shorter."""
    assert _brute_force(text) == len(code128.encode(text)) - 2


def _brute_force(text: str) -> int:
    """Symbols from start to the last data character: the cheapest way through all states."""
    open_states, done = [(1, 0, s) for s in "ABC"], set[tuple[int, str]]()
    while True:
        cost, at, code_set = heapq.heappop(open_states)
        if at == len(text):
            return cost
        if (at, code_set) in done:
            continue
        done.add((at, code_set))
        for other in "ABC":
            heapq.heappush(open_states, (cost + 1, at, other))
        char, pair = text[at], text[at : at + 2]
        if char == code128.FNC1:
            heapq.heappush(open_states, (cost + 1, at + 1, code_set))
        elif code_set == "C":
            if len(pair) == 2 and pair.isdigit():
                heapq.heappush(open_states, (cost + 1, at + 2, "C"))
        else:
            for other, price in ((code_set, 1), ("B" if code_set == "A" else "A", 2)):
                if code128.value_in(other, char) is not None:
                    heapq.heappush(open_states, (cost + price, at + 1, code_set))


@pytest.mark.parametrize("text", ["", "naïve", "日本"])
def test_what_code_128_cannot_hold_is_refused(text: str) -> None:
    """Empty data and characters outside ASCII are refused, never replaced."""
    with pytest.raises(DataRefused, match="Code 128"):
        code128.encode(text)


def test_gs1_128_longer_than_48_characters_is_refused() -> None:
    """48 characters is the limit. Source: GS1 General Specifications 5.4.4.3."""
    assert encode(Symbology.GS1_128, "90" + "A" * 28 + "\x1d91" + "B" * 15).columns > 0
    with pytest.raises(DataRefused, match="at most 48"):
        encode(Symbology.GS1_128, "91" + "A" * 47)
