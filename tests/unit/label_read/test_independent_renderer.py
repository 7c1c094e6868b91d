"""Supplied ZPL drawn by an independent renderer and read by an independent decoder.

Source of truth: zpl-renderer-js rasterises the same stream, zxing-cpp reads the result; what our
reader expects a scanner to report must be what comes out there. Skipped where node is missing.
"""

import base64
import binascii
import io
import zlib
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from rigs.zpl import Read, ZplRenderer, dots, read_symbols

from gateway.label.inspect import inspect
from gateway.label.supplied import draw
from label_read.given import VECTORS
from schemas.order import LabelLanguage

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(bool(ZplRenderer.missing()), reason=ZplRenderer.missing()),
]
WIDTH, HEIGHT = 812, 1218


@pytest.fixture(scope="module")
def renderer() -> Iterator[ZplRenderer]:
    """One process for all tests here: it takes a moment to start."""
    with ZplRenderer() as running:
        yield running


def seen(renderer: ZplRenderer, stream: bytes) -> list[Read]:
    """What an independent decoder reads from the independent picture."""
    return read_symbols(renderer.draw(stream, WIDTH, HEIGHT))


def label(body: bytes) -> bytes:
    """One 4 x 6 in label with its power-up settings stated."""
    return b"^XA^PW812^LL1218^CI28^LH0,0^BY2,3,10" + body + b"^XZ"


FIELDS = [
    b"^BY2^BC%c,100,N,N,N^FD>:Tidewater-7^FS",
    b"^BY2^BC%c,100,N,N,N^FD>;12345678>6AB^FS",
    b"^BY2^BC%c,100,N,N,N^FD>;>800395123451234567895^FS",
    b"^BY2^BC%c,100,N,N,N,A^FDLOT 20261125-77^FS",
    b"^BY2^BC%c,100,N,N,N,U^FD0037610425002123456^FS",
    b"^BY2^BC%c,100,N,N,N,D^FD(00)376104250021234569^FS",
    b"^BY2,2.5^B3%c,N,100,N,N^FDDYKE-45^FS",
    b"^BY2,3^B2%c,100,N,N,N^FD15400141288763^FS",
    b"^BY3^BE%c,100,N^FD950110153100^FS",
    b"^BX%c,6,200^FDplain matrix^FS",
    b"^BX%c,6,200,,,,_^FD_10109521234543213^FS",
    b"^BY2^B7%c,6,3,4^FDdyke and quay^FS",
]


@pytest.mark.parametrize("turn", list(b"NRIB"), ids=chr)
@pytest.mark.parametrize("anchor", [b"^FO300,400", b"^FT400,500"], ids=["origin", "baseline"])
@pytest.mark.parametrize("field", FIELDS)
def test_expected_scan_and_place_are_what_the_print_shows(
    renderer: ZplRenderer, field: bytes, anchor: bytes, turn: int
) -> None:
    """Each symbology in each turn: same data, same place to within a module.

    Below an EAN the renderer counts guard bars of five modules into its box, so that one differs.
    """
    stream = label(anchor + field % turn)
    found = inspect(stream, LabelLanguage.ZPL).labels[0]
    printed = seen(renderer, stream)
    assert list(found.expected_scans) == [one.data for one in printed]
    left, top = printed[0].corners[:2]
    room = 16 if b"^BE" in field else 8
    assert abs(left - found.symbols[0].x_mm * 8) <= room
    assert abs(top - found.symbols[0].y_mm * 8) <= room


# Without ">": this renderer drops a character that ends the field right after an invocation code.
PLAIN = st.characters(min_codepoint=33, max_codepoint=126, exclude_characters=">")


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.text(PLAIN, min_size=3, max_size=14), st.sampled_from("NRIB"), st.integers(2, 3))
def test_random_data_is_expected_as_it_prints(
    renderer: ZplRenderer, text: str, turn: str, module: int
) -> None:
    """Any printable data, escaped by its sender, is expected exactly as the print carries it."""
    data = "".join(f"_{byte:02X}" for byte in text.encode())
    field = f"^FO200,200^BY{module}^BC{turn},120,N,N,N^FH^FD>:{data}^FS"
    stream = label(field.encode())
    expected = inspect(stream, LabelLanguage.ZPL).labels[0].expected_scans
    assert list(expected) == [one.data for one in seen(renderer, stream)]


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=3, max_size=60))
def test_random_qr_is_expected_as_it_prints(renderer: ZplRenderer, text: str) -> None:
    """QR takes its data after the switches as it stands; place and size agree."""
    data = "".join(f"_{byte:02X}" for byte in text.encode())
    stream = label(f"^FO200,200^BQN,2,5^FH^FDQA,{data}^FS".encode())
    found = inspect(stream, LabelLanguage.ZPL).labels[0]
    printed = seen(renderer, stream)
    assert list(found.expected_scans) == [one.data for one in printed]
    assert abs(printed[0].corners[0] - found.symbols[0].x_mm * 8) <= 5
    assert abs(printed[0].corners[1] - found.symbols[0].y_mm * 8) <= 5


def test_whole_carrier_label_is_expected_as_it_prints(renderer: ZplRenderer) -> None:
    """Every code of an invented carrier's label, the shared route code included."""
    stream = (VECTORS / "carrier-4x6.zpl").read_bytes()
    symbols = inspect(stream, LabelLanguage.ZPL).labels[0].symbols
    label_only = stream[stream.index(b"^XA\n^MMT") :].replace(b"\n", b"")
    printed = seen(renderer, label_only.replace(b"^XA", b"^XA^CI28"))
    assert sorted(symbol.data for symbol in symbols) == sorted(one.data for one in printed)


def test_text_stands_where_the_print_has_it(renderer: ZplRenderer) -> None:
    """Letters differ, places don't: the ink of each line lies within a few dots of theirs."""
    stream = label(
        b"^FO40,40^A0N,60,60^FDDYKE 45^FS^FT40,300^A0N,40,40^FDDYKE^FS"
        b"^FO600,100^A0R,50,50^FDQUAY^FS"
        b"^FO40,400^A0N,30,30^FB500,3,4,C^FDone line of text and then some more of it^FS"
    )
    ours = ~np.asarray(Image.open(io.BytesIO(draw(stream, LabelLanguage.ZPL, 8.0))))
    theirs = dots(renderer.draw(stream, WIDTH, HEIGHT))
    for rows, columns in (
        (slice(0, 150), slice(0, 500)),
        (slice(200, 340), slice(0, 500)),
        (slice(50, 380), slice(560, 812)),
        (slice(380, 600), slice(0, 560)),
    ):
        for axis in (0, 1):
            one = np.flatnonzero(ours[rows, columns].any(axis=axis))
            other = np.flatnonzero(theirs[rows, columns].any(axis=axis))
            assert abs(int(one[0]) - int(other[0])) <= 6
            assert abs(int(one[-1]) - int(other[-1])) <= 16


@pytest.mark.parametrize("form", ["hex", "packed"])
def test_bitmap_is_drawn_dot_for_dot_alike(renderer: ZplRenderer, form: str) -> None:
    """Plain and zlib-packed graphics land on the same dots in both pictures."""
    rows = np.random.default_rng(11).integers(0, 256, (40, 20), dtype=np.uint8)
    raw = rows.tobytes()
    data = raw.hex().upper().encode()
    if form == "packed":
        packed = base64.b64encode(zlib.compress(raw))
        data = b":Z64:%s:%04X" % (packed, binascii.crc_hqx(packed, 0))
    stream = label(b"^FO64,80^GFA,800,800,20,%s^FS" % data)
    ours = ~np.asarray(Image.open(io.BytesIO(draw(stream, LabelLanguage.ZPL, 8.0))))
    assert np.array_equal(ours, dots(renderer.draw(stream, WIDTH, HEIGHT)))


def test_frames_and_lines_are_drawn_dot_for_dot_alike(renderer: ZplRenderer) -> None:
    """Lines and frames: the same dots in both pictures (theirs fills a box one dot too far)."""
    stream = label(
        b"^FO20,20^GB772,1178,3^FS^FO60,60^GB300,2,2^FS^FO400,100^GB200,80,10,B^FS"
        b"^FO410,300^GB3,200,3^FS^FO60,500^GB300,40,2^FS"
    )
    ours = ~np.asarray(Image.open(io.BytesIO(draw(stream, LabelLanguage.ZPL, 8.0))))
    assert np.array_equal(ours, dots(renderer.draw(stream, WIDTH, HEIGHT)))
