"""Every symbology against published examples and an independent decoder."""

import numpy as np
import pytest
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from rigs.zpl import Read, read_symbols

from gateway.label import DataRefused, gs1
from gateway.label.canvas import Canvas
from gateway.label.symbols import (
    DATAMATRIX_CODEWORDS,
    DATAMATRIX_SIZES,
    QUIET_MODULES,
    Symbol,
    Symbology,
    datamatrix_size,
    encode,
)

MODULE = 4


def read(symbol: Symbol, turn: int = 0) -> Read:
    """What the decoder reads from a drawing of the symbol with no more than its quiet zone."""
    across, down = symbol.quiet
    width = (symbol.columns + 2 * across) * MODULE
    height = 100 if symbol.is_linear else (len(symbol.rows) + 2 * down) * MODULE
    size = (width, height) if turn in (0, 180) else (height, width)
    canvas = Canvas(*size)
    x, y = across * MODULE, 0 if symbol.is_linear else down * MODULE
    x, y = (x, y) if turn in (0, 180) else (y, x)
    if symbol.is_linear:
        canvas.bars(x, y, symbol, MODULE, 100, turn=turn)
    else:
        canvas.matrix(x, y, symbol, MODULE, turn=turn)
    (found,) = read_symbols(canvas.image())
    return found


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
@pytest.mark.parametrize(
    ("kind", "data", "identifier", "scan"),
    [
        ("code128", "AIM1234", "]C0", "AIM1234"),
        ("gs1-128", "00376104250021234569", "]C1", "00376104250021234569"),
        ("code39", "CODE-39 $/+%.", "]A0", "CODE-39 $/+%."),
        ("itf", "123456", "]I0", "123456"),
        ("itf-14", "1540014128876", "]I1", "15400141288763"),
        ("ean-13", "629104150021", "]E0", "6291041500213"),
        ("ean-8", "9501234", "]E4", "95012346"),
        ("upc-a", "03600029145", "]E0", "0036000291452"),
        ("datamatrix", "A1B2C3D4E5F6G7H8I9J0K1L2", "]d1", "A1B2C3D4E5F6G7H8I9J0K1L2"),
        ("gs1-datamatrix", "01095011015300031715011910AB-123", "]d2", None),
        ("qr", "QR Code Symbol", "]Q1", "QR Code Symbol"),
        ("gs1-qr", "010952123454321310ABC123\x1d99TEST", "]Q3", None),
        ("pdf417", "PDF417", "]L2", "PDF417"),
    ],
)
def test_decoder_reads_every_symbology(
    kind: str, data: str, identifier: str, scan: str | None, turn: int
) -> None:
    """Each symbol is read as its own kind, with the data that the engine promises, at any turn."""
    symbol = encode(Symbology(kind), data)
    found = read(symbol, turn)
    assert (scan or data) == symbol.data == found.data
    if kind != "itf" and kind != "itf-14":  # a reader may or may not vouch for the check digit
        assert identifier == found.identifier


def test_published_datamatrix_modules() -> None:
    """123456 gives the modules of the standard's example. Source: ISO/IEC 16022:2006 Annex O."""
    rows = (
        "1010101010 1100101101 1100000100 1100011101 1100001000 "
        "1000001111 1110110000 1111011001 1001110100 1111111111"
    )
    symbol = encode(Symbology.DATAMATRIX, "123456")
    assert rows.split() == [format(row, "010b") for row in symbol.rows]


@pytest.mark.parametrize(
    ("kind", "data", "side"),
    [
        ("gs1-datamatrix", "01095011015300031715011910AB-123", 20),
        ("datamatrix", "A1B2C3D4E5F6G7H8I9J0K1L2", 18),
        ("datamatrix", "30Q324343430794<OQQ", 16),
        ("qr", "QR Code Symbol", 21),
        ("qr", "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ", 33),
    ],
)
def test_published_matrix_sizes(kind: str, data: str, side: int) -> None:
    """Symbols have the published size.

    Sources: GGS Figure 2.6.14-3; ISO/IEC 16022 Figures 1 and R.1; ISO/IEC 18004 Figures 1 and 29.
    """
    symbol = encode(Symbology(kind), data)
    assert (side, side) == (symbol.columns, len(symbol.rows))


def test_datamatrix_capacities_are_those_of_the_standard() -> None:
    """Twice the data codewords in digits fill a size; one digit more needs the next.

    Source: ISO/IEC 16022, table of ECC 200 sizes; checked against another encoder.
    """
    for side, words in zip(DATAMATRIX_SIZES, DATAMATRIX_CODEWORDS, strict=True):
        assert side == datamatrix_size("1" * words * 2, is_gs1=False)
        assert side == encode(Symbology.DATAMATRIX, "1" * words * 2).columns


@given(st.text(st.characters(max_codepoint=127), min_size=1, max_size=60), st.booleans())
def test_printers_size_always_holds_the_data(text: str, is_gs1: bool) -> None:
    """The size that plain encodation needs is never smaller than what a clever encoder needs."""
    smallest = encode(Symbology.DATAMATRIX, text).columns
    assert smallest <= datamatrix_size(text, is_gs1=is_gs1)


@pytest.mark.parametrize("kind", list(Symbology))
def test_quiet_zone_is_stated_for_every_symbology(kind: Symbology) -> None:
    """No symbology is without its quiet zone."""
    assert QUIET_MODULES[kind][0] > 0


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("code39", "lower"),
        ("itf", "123"),
        ("itf-14", "15400141288764"),
        ("ean-13", "6291041500214"),
        ("ean-13", "12"),
        ("upc-a", "036000291453"),
        ("gs1-datamatrix", "00106141412345678909"),
        ("gs1-qr", "9999999999"[:1]),
        ("qr", "x" * 3000),
        ("datamatrix", "x" * 4000),
    ],
)
def test_data_that_breaks_the_symbology_is_refused(kind: str, data: str) -> None:
    """Wrong characters, lengths and check digits are refused, never mended in silence."""
    with pytest.raises(DataRefused):
        encode(Symbology(kind), data)


def test_brackets_in_gs1_data_start_no_element() -> None:
    """A value with `(10)` in it stays one element in a Data Matrix, as it is in the message."""
    message = gs1.message([("00", "095212340000004172"), ("400", "AB(10)C")])
    assert message == read(encode(Symbology.GS1_DATAMATRIX, message)).data


@pytest.mark.parametrize("kind", ["qr", "datamatrix", "pdf417"])
@given(text=st.text(st.characters(blacklist_categories=["Cs"]), min_size=1, max_size=40))
def test_matrix_symbols_carry_any_text(kind: str, text: str) -> None:
    """Any text comes back from every matrix symbol: no reader has to guess its encoding."""
    symbol = encode(Symbology(kind), text)
    grid = np.array([[c == "0" for c in format(r, f"0{symbol.columns}b")] for r in symbol.rows])
    image = (np.kron(np.pad(grid, 4, constant_values=True), np.ones((4, 4))) * 255).astype("uint8")
    (found,) = zxingcpp.read_barcodes(image, text_mode=zxingcpp.TextMode.Plain)
    assert text == found.text
