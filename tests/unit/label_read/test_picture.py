"""The picture of a supplied label, read back by an independent decoder and measured in dots."""

import io

import numpy as np
import pytest
import zxingcpp
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from PIL import Image

from gateway.label.errors import DataRefused
from gateway.label.inspect import inspect
from gateway.label.supplied import draw
from label_read.given import VECTORS
from schemas.inspection import FindingCode
from schemas.order import LabelLanguage
from schemas.station import Printer

SLOW = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
TURN = {"N": 0, "R": 90, "I": 180, "B": 270}


def dots(stream: bytes, language: LabelLanguage = LabelLanguage.ZPL) -> np.ndarray:
    """The picture as rows of dots, True = ink."""
    return ~np.asarray(Image.open(io.BytesIO(draw(stream, language, 8.0))))


def read(stream: bytes, language: LabelLanguage = LabelLanguage.ZPL) -> list[str]:
    """What zxing-cpp reads from the picture."""
    image = np.where(dots(stream, language), 0, 255).astype(np.uint8)
    found = zxingcpp.read_barcodes(image, text_mode=zxingcpp.TextMode.Plain)
    return sorted(one.text for one in found)


@pytest.mark.parametrize("name", ["every-symbol.zpl", "every-symbol.epl", "carrier-4x6.zpl"])
def test_every_symbol_of_the_picture_reads_back(name: str) -> None:
    """All that inspection promises is what an independent decoder finds in the picture."""
    stream = (VECTORS / name).read_bytes()
    language = LabelLanguage(name[-3:])
    symbols = inspect(stream, language).labels[0].symbols
    assert sorted(symbol.data for symbol in symbols) == read(stream, language)


@pytest.mark.parametrize(
    "field",
    [
        b"^BY2^BCN,100,N,N,N^FD>:Tidewater-7",
        b"^BY2^BCN,100,N,N,N,A^FDlot 20261125-77",
        b"^BY3^BCN,100,N,N,N,D^FD(00)37610425002123456",
        b"^BY3^BCN,100,N,N,N,U^FD0037610425002123456",
        b"^BY2,2.4^B3N,N,100,N,N^FDDYKE-45",
        b"^BY2^BAN,100,N,N,N^FDDYKE45",
        b"^BY2,2.5^B2N,100,N,N,N^FD15400141288763",
        b"^BY3^BEN,100,N^FD950110153100",
        b"^BY3^B8N,100,N^FD9501234",
        b"^BY3^BUN,100,N^FD01234567890",
        b"^BXN,6,200^FDplain matrix",
        b"^BXN,6,200,36,12^FDrectangle",
        b"^BXN,6,200,,,,_^FD_10109501101530003",
        b"^BQN,2,6^FDHA,https://id.example/7",
        b"^BQN,2,6^FDMM,A7 DYKE",
        b"^BY2^B7N,6,3,4^FDdyke and quay",
        b"^BON,6^FDaztec",
    ],
)
def test_each_symbology_reads_back(field: bytes) -> None:
    """The decoder's answer is the code that verification will expect."""
    stream = b"^XA^PW1000^LL600^CI28^BY2,3,10^FO80,80" + field + b"^FS^XZ"
    assert list(inspect(stream, LabelLanguage.ZPL).labels[0].expected_scans) == read(stream)


@pytest.mark.parametrize(
    ("line", "data"),
    [
        (b'B80,80,0,1,3,6,100,N,"Tidewater-7"', "Tidewater-7"),
        (b'B80,80,0,1C,3,6,100,N,"123456"', "123456"),
        # GS1 General Specifications 7.9.1: 376104250021234569
        (b'B80,80,0,0,3,6,100,N,"0037610425002123456"', "00376104250021234569"),
        (b'B80,80,0,1E,3,6,100,N,"(10)LOT7\x06(21)A5"', "10LOT7\x1d21A5"),
        (b'B80,80,0,3,2,5,100,N,"DYKE"', "DYKE"),
        # modulo 43 over DYKE7: 13 + 34 + 20 + 14 + 7 = 88, 88 - 86 = 2 (worked by hand)
        (b'B80,80,0,3C,2,5,100,N,"DYKE7"', "DYKE72"),
        (b'B80,80,0,2,2,5,100,N,"123"', "0123"),
        (b'B80,80,0,2C,2,5,100,N,"1540014128876"', "15400141288763"),
        (b'B80,80,0,9,2,5,100,N,"DYKE45"', "DYKE45"),
        (b'B80,80,0,E30,3,6,100,N,"950110153100"', "9501101531000"),
        (b'B80,80,0,E80,3,6,100,N,"9501234"', "95012346"),
        (b'B80,80,0,UA0,3,6,100,N,"01234567890"', "0012345678905"),
        (b'b80,80,D,c24,r24,h5,"matrix"', "matrix"),
        (b'b80,80,Q,m2,s6,eH,iA,"quay"', "quay"),
        (b'b80,80,P,300,300,s3,x3,y9,l4,"dyke and quay"', "dyke and quay"),
        (b'b80,80,A,d6,"aztec"', "aztec"),
    ],
)
def test_each_epl_symbology_reads_back(line: bytes, data: str) -> None:
    """The decoder's answer is the code that verification will expect, check digits included."""
    stream = b"\nN\nq1000\nQ600,24\n" + line + b"\nP1\n"
    assert (data,) == inspect(stream, LabelLanguage.EPL).labels[0].expected_scans
    assert [data] == read(stream, LabelLanguage.EPL)


@SLOW
@given(
    st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=20),
    st.sampled_from("NRIB"),
    st.integers(2, 4),
)
def test_any_text_in_any_turn_reads_back(text: str, turn: str, module: int) -> None:
    """Random data, rotations and module widths: inspection and decoder agree."""
    data = "".join(f"_{byte:02X}" for byte in text.replace(">", ">0").encode())
    stream = (
        f"^XA^PW1600^LL1600^BY{module}^FO200,200^BC{turn},120,N,N,N^FH^FD>:{data}^FS^XZ"
    ).encode()
    symbol = inspect(stream, LabelLanguage.ZPL).labels[0].symbols[0]
    assert (text, TURN[turn]) == (symbol.data, symbol.rotation)
    # the decoder may find a phantom across the bars of a very short symbol as well
    assert text in read(stream)


@pytest.mark.parametrize("turn", "NRIB")
@pytest.mark.parametrize("anchor", ["FO", "FT"])
def test_symbol_stands_where_inspection_says(turn: str, anchor: str) -> None:
    """The ink's own box, measured in dots, is the box that inspection reports."""
    stream = f"^XA^PW1000^LL1000^{anchor}400,500^BY3^BC{turn},120,N,N,N^FDDYKE^FS^XZ".encode()
    ink = dots(stream)
    rows, columns = np.flatnonzero(ink.any(axis=1)), np.flatnonzero(ink.any(axis=0))
    symbol = inspect(stream, LabelLanguage.ZPL).labels[0].symbols[0]
    assert (columns[0] / 8, rows[0] / 8) == (symbol.x_mm, symbol.y_mm)
    assert ((columns[-1] - columns[0] + 1) / 8, (rows[-1] - rows[0] + 1) / 8) == (
        symbol.width_mm,
        symbol.height_mm,
    )


def test_module_width_measured_in_dots_is_the_stated_one() -> None:
    """The thinnest run of ink or blank along the bars is the module of ^BY."""
    ink = dots(b"^XA^PW1000^LL400^FO80,80^BY4^BCN,120,N,N,N^FDDYKE^FS^XZ")
    row = ink[140, 80 : 80 + int(ink[140].nonzero()[0][-1]) - 79]
    edges = np.flatnonzero(np.diff(row.astype(np.int8)))
    assert 4 == int(np.diff(edges).min())


def test_image_lands_dot_for_dot() -> None:
    """A bitmap in the stream is in the picture as it was sent, in both languages."""
    rows = np.random.default_rng(7).integers(0, 256, (20, 5), dtype=np.uint8)
    wanted = np.unpackbits(rows, axis=1).astype(bool)
    zpl = b"^XA^PW200^LL200^FO24,16^GFA,100,100,5,%s^FS^XZ" % rows.tobytes().hex().encode()
    raw = np.bitwise_not(rows).tobytes()
    epl = b"\nN\nq200\nQ200,24\nGW24,16,5,20," + raw + b"\nP1\n"
    for stream, language in ((zpl, LabelLanguage.ZPL), (epl, LabelLanguage.EPL)):
        ink = dots(stream, language)
        assert np.array_equal(wanted, ink[16:36, 24:64])
        assert wanted.sum() == ink.sum()


def bitmap_label(ink: np.ndarray, at: tuple[int, int] = (24, 24)) -> bytes:
    """A label that holds one bitmap."""
    packed = np.packbits(ink, axis=1)
    size, stride, rows = packed.size, packed.shape[1], packed.tobytes().hex().encode()
    place = b"^FO%d,%d" % at
    return b"^XA^PW812^LL1218%s^GFA,%d,%d,%d,%s^FS^XZ" % (place, size, size, stride, rows)


def test_code_inside_an_image_is_found() -> None:
    """A label that came as one bitmap can be verified like any other, its module measured."""
    barcode = zxingcpp.create_barcode(
        "[00]376104250021234569", zxingcpp.BarcodeFormat.Code128, gs1=True
    )
    ink = np.asarray(barcode.to_image(scale=4, add_quiet_zones=True)) == 0
    label = inspect(bitmap_label(ink), LabelLanguage.ZPL).labels[0]
    assert ("00376104250021234569",) == label.expected_scans
    assert (True, True, "gs1-128", 0.5) == (
        label.symbols[0].from_image,
        label.symbols[0].gs1,
        label.symbols[0].symbology,
        label.symbols[0].module_mm,
    )


@given(
    st.sampled_from(["Code128", "DataMatrix"]),
    st.text("0123456789ABCDEF-", min_size=2, max_size=14),
    st.integers(2, 6),
    st.integers(0, 3),
    st.booleans(),
)
@settings(deadline=None, max_examples=60)
def test_code_cut_out_without_quiet_zone_is_found(
    kind: str, data: str, module: int, turns: int, whole: bool
) -> None:
    """Turned, small, at the image's edge: the code, its module and its turn are what went in."""
    made = zxingcpp.create_barcode(data, getattr(zxingcpp.BarcodeFormat, kind))
    ink = np.asarray(made.to_image(scale=module, add_quiet_zones=False)) == 0
    if kind == "Code128":
        ink = np.repeat(ink[:1], 100, axis=0)
    ink = np.rot90(ink, -turns)
    if whole:  # in the corner of a large image
        ink = np.pad(ink, ((max(1000 - ink.shape[0], 0), 0), (max(800 - ink.shape[1], 0), 0)))
    assume(max(ink.shape) <= 1210 and ink.shape[1] <= 800 and min(ink.shape) >= 40)
    found = inspect(bitmap_label(ink, (0, 0)), LabelLanguage.ZPL).labels[0].symbols
    assert [(data, module / 8)] == [(one.data, one.module_mm) for one in found]
    if kind == "Code128":
        assert turns * 90 == found[0].rotation


def test_thin_and_cut_codes_inside_an_image_are_faults() -> None:
    """What is wrong with a bar code command is wrong with the same code as a bitmap."""
    made = zxingcpp.create_barcode("TW-77", zxingcpp.BarcodeFormat.Code128)
    for scale, at, code in (
        (1, (24, 24), FindingCode.MODULE_TOO_THIN),
        (4, (700, 24), FindingCode.CUT),
    ):
        ink = np.asarray(made.to_image(scale=scale, add_quiet_zones=True)) == 0
        ink = np.repeat(ink[ink.shape[0] // 2 :][:1], 80, axis=0)
        found = inspect(bitmap_label(ink, at), LabelLanguage.ZPL)
        assert code in {one.code for one in found.findings}


def test_inverted_label_is_drawn_upside_down() -> None:
    """^POI turns the whole label by 180 degrees."""
    body = b"^PW400^LL200^FO8,8^GB80,40,40^FS"
    upright, turned = dots(b"^XA" + body + b"^XZ"), dots(b"^XA^POI" + body + b"^XZ")
    assert np.array_equal(np.rot90(upright, 2), turned)


def test_reversed_field_turns_black_to_white() -> None:
    """^FR on black prints white (guide): what overlaps twice is blank."""
    ink = dots(b"^XA^PW200^LL200^FO0,0^GB100,100,100^FS^FO50,0^FR^GB100,100,100^FS^XZ")
    assert (True, False, True) == (bool(ink[50, 25]), bool(ink[50, 75]), bool(ink[50, 125]))


def test_picture_says_what_it_lacks() -> None:
    """An unknown command makes a band below the label; a known label has none."""
    plain = dots(b"^XA^PW812^LL400^FO1,1^FDx^FS^XZ")
    lacking = dots(b"^XA^PW812^LL400^FO1,1^FDx^FS^ZQ5^XZ")
    assert 400 == plain.shape[0]
    assert lacking.shape[0] > 400
    assert np.array_equal(plain, lacking[:400])


def test_label_that_is_not_there_is_refused() -> None:
    """Asking for a second label of a stream with one is a clear error."""
    with pytest.raises(DataRefused, match="has 1"):
        draw(b"^XA^FO1,1^FDx^FS^XZ", LabelLanguage.ZPL, 8.0, 1)


def test_picture_has_the_size_of_the_stock_where_the_stream_states_none() -> None:
    """101.6 x 152.4 mm at 8 dots a mm are 813 x 1219 dots."""
    png = draw(b"^XA^FO1,1^FDx^FS^XZ", LabelLanguage.ZPL, 8.0, printer=Printer())
    assert (813, 1219) == Image.open(io.BytesIO(png)).size


def test_stored_image_is_drawn_where_it_is_recalled() -> None:
    """~DG keeps a bitmap, ^XG draws it as many times as large as it says (guide)."""
    stream = b"~DGR:SEAL.GRF,2,1,F00F^XA^PW200^LL100^FO24,16^XGR:SEAL.GRF,2,3^FS^XZ"
    ink = dots(stream)
    wanted = np.unpackbits(np.array([[0xF0], [0x0F]], np.uint8), axis=1).astype(bool)
    assert np.array_equal(wanted.repeat(3, axis=0).repeat(2, axis=1), ink[16:22, 24:40])


def test_letters_that_no_font_has_become_empty_boxes() -> None:
    """A letter nobody can draw is neither left out nor replaced by another letter."""
    stream = "^XA^PW400^LL200^CI28^FO20,20^A0N,60,60^FD\U000e0101\uf8ff^FS^XZ".encode()
    assert dots(stream).any()


def test_huge_letters_are_drawn_at_their_size() -> None:
    """A type size beyond the cap is enlarged: capitals fill about 0.72 of the cell (measured)."""
    ink = dots(b"^XA^PW1600^LL900^FO20,20^A0N,600,600^FDH^FS^XZ")
    rows = np.flatnonzero(ink.any(axis=1))
    assert 0.68 * 600 <= rows[-1] - rows[0] <= 0.76 * 600


def test_label_with_too_much_to_draw_says_so() -> None:
    """Hundreds of label-sized ellipses are not drawn to the end, and the picture admits it."""
    stream = b"^XA^PW812^LL1218" + b"^FO0,0^GE800,1200,2^FS" * 400 + b"^XZ"
    assert dots(stream).shape[0] > 1218


@pytest.mark.parametrize(
    ("field", "language"),
    [
        (b"^XA^PW400^LL300^FO40,40^BY3^B9N,100,N,N^FD%s^FS^XZ", LabelLanguage.ZPL),
        (b'\nN\nq400\nQ300,24\nB40,40,0,UE0,3,3,100,N,"%s"\nP1\n', LabelLanguage.EPL),
    ],
    ids=["zpl", "epl"],
)
@given(digits=st.from_regex(r"0[0-9]{6}", fullmatch=True))
@settings(deadline=None, max_examples=60)
def test_upc_e_reads_as_its_gtin(field: bytes, language: LabelLanguage, digits: str) -> None:
    """The short code's picture, read by zxing-cpp, is the GTIN that the inspection reports."""
    stream = field % digits.encode()
    (symbol,) = inspect(stream, language).labels[0].symbols
    assert ("upc-e", [symbol.data]) == (symbol.symbology, read(stream, language))


def test_upc_e_example_is_the_published_pair() -> None:
    """0425261 is 00042100005264: the usual textbook pair for zero suppression (from memory)."""
    for field in (b"0425261", b"425261", b"04210000526"):
        stream = b"^XA^PW400^LL300^FO40,40^BY3^B9N,100,N,N^FD" + field + b"^FS^XZ"
        assert ["0042100005264"] == [
            one.data for one in inspect(stream, LabelLanguage.ZPL).labels[0].symbols
        ]


@pytest.mark.parametrize(
    ("stream", "language"),
    [
        (b"^XA^PW-900^LL-1218^FO8,8^FDx^FS^XZ", LabelLanguage.ZPL),
        (b'\nN\nq-812\nQ-5,24\nA8,8,0,3,1,1,N,"x"\nP1\n', LabelLanguage.EPL),
    ],
    ids=["zpl", "epl"],
)
def test_size_below_nothing_is_passed_over(stream: bytes, language: LabelLanguage) -> None:
    """A negative size is no size: the label is read and drawn as large as what is on it."""
    label = inspect(stream, language).labels[0]
    assert min(label.width_mm, label.height_mm) > 0
    assert dots(stream, language).any()
