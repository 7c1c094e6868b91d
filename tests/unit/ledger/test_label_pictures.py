"""A label's blacked-out picture shows what a scan proves and nothing that names anybody."""

from io import BytesIO

import numpy as np
import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st
from parcels import ORDER, PARCEL
from PIL import Image

from gateway.label import builtin_template, make, parcel_fields
from gateway.label.errors import DataRefused
from gateway.ledger.label_pictures import label_pictures
from schemas.order import LabelLanguage
from schemas.station import Printer

PRINTER = Printer()
SCAN = "00395212340000000175"
SYMBOL = f"^BY3^FO100,800^BCN,250,N^FD>;>8{SCAN}^FS"


def drawn(body: str, *scans: str) -> tuple[np.ndarray, np.ndarray]:
    """Whole and blacked picture, True where there is ink."""
    content = f"^XA^PW812^LL1218^CI28{body}^XZ".encode()
    pictures = label_pictures(content, LabelLanguage.ZPL, scans, PRINTER)
    return ink(pictures.whole), ink(pictures.blacked)


def ink(png: bytes) -> np.ndarray:
    return ~np.asarray(Image.open(BytesIO(png)).convert("1"), dtype=bool)


def codes(inked: np.ndarray) -> list[bytes]:
    return [found.bytes for found in zxingcpp.read_barcodes(Image.fromarray(~inked).convert("L"))]


def test_symbol_that_no_scan_needs_is_blacked_out() -> None:
    """A second symbol may carry a postcode or a whole address: it can't be read any longer."""
    other = "^BY2^FO100,300^BXN,8,200^FD" + "Demo Lane 7, 00-001 Nowe Demo" + "^FS"
    whole, blacked = drawn(SYMBOL + other, SCAN)
    assert {SCAN.encode(), b"Demo Lane 7, 00-001 Nowe Demo"} == set(codes(whole))
    assert [SCAN.encode()] == codes(blacked)


def test_label_without_expected_codes_keeps_only_its_frames() -> None:
    """Where nothing proves the label, nothing but lines is left to see."""
    frame = "^FO30,30^GB752,1158,4^FS"
    _, blacked = drawn(frame + SYMBOL)
    assert [] == codes(blacked)
    assert blacked[31, 400]


def test_image_is_blacked_out() -> None:
    """Nobody knows what a bitmap shows."""
    whole, blacked = drawn("^FO200,200^GFA,8,8,1,81422418182442" + "81^FS", SCAN)
    assert whole.any()
    assert blacked[whole].all()
    assert blacked.sum() > 10 * whole.sum()


TEXTS = st.text(
    st.characters(codec="ascii", min_codepoint=33, exclude_characters="^~_\\"), min_size=1
)


@settings(max_examples=25)
@given(TEXTS, st.integers(0, 600), st.integers(0, 700), st.integers(20, 60))
def test_no_text_shows_wherever_it_stands(text: str, x: int, y: int, size: int) -> None:
    """All ink of a text is covered, its surroundings with it, and the code is still read."""
    whole, blacked = drawn(f"^FO{x},{y}^A0N,{size},{size}^FD{text}^FS" + SYMBOL, SCAN)
    lettered = whole & ~drawn(SYMBOL, SCAN)[0]
    assert blacked[lettered].all()
    rows = blacked[lettered.any(axis=1) & (np.arange(1218) < 780)]
    assert {0, 1, 2} >= set(np.abs(np.diff(rows.astype(int), axis=1)).sum(axis=1))
    assert [SCAN.encode()] == codes(blacked)


@pytest.mark.parametrize("content", [b"", b"hello", b"^XA^XZ"])
def test_bytes_that_print_nothing_are_refused(content: bytes) -> None:
    """No picture is made up for bytes that are no label."""
    with pytest.raises(DataRefused):
        label_pictures(content, LabelLanguage.ZPL, [SCAN], PRINTER)


@pytest.mark.parametrize("language", LabelLanguage)
def test_own_parcel_label_keeps_what_scanners_read(language: LabelLanguage) -> None:
    """On the gateway's own label both expected codes can still be read, in either language, and
    nothing else can: EPL carries its codes as images."""
    printer = Printer(language=language)
    fields = parcel_fields(ORDER, PARCEL, sscc=SCAN[2:], number=1, of=2, ship_from=ORDER.ship_to)
    made = make(builtin_template("parcel-4x6"), fields, printer)
    pictures = label_pictures(made.content, language, made.expected_scans, printer)
    assert {scan.encode() for scan in made.expected_scans} == set(codes(ink(pictures.blacked)))
    hidden = ink(pictures.whole) & ~ink(label_pictures(made.content, language, (), printer).blacked)
    assert not hidden.any()
