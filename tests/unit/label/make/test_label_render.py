"""Streams drawn by an independent renderer and read by an independent decoder."""

import io

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from rigs.label_demo import CODE, ORDER, fields_for, printer_for
from rigs.label_streams import draw_epl
from rigs.zpl import ZplRenderer, dots, read_symbols

from gateway.label import (
    builtin_names,
    builtin_template,
    load_template,
    make,
    picture,
)
from schemas.station import Printer

GS1_82 = st.text(
    st.characters(min_codepoint=33, max_codepoint=122, blacklist_characters="#$@[\\]^`"),
    min_size=1,
    max_size=12,
)
SLOW = settings(
    max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def our_picture(template: str, printer: Printer) -> Image.Image:
    """The picture of a template that comes along."""
    png = picture(builtin_template(template), fields_for(template), printer, form="png")
    return Image.open(io.BytesIO(png))


@pytest.mark.parametrize("dots_per_mm", [8.0, 300 / 25.4])
@pytest.mark.parametrize("name", builtin_names())
def test_picture_is_what_the_renderer_draws(
    renderer: ZplRenderer, name: str, dots_per_mm: float
) -> None:
    """Not one dot differs between our picture and the renderer's drawing of our ZPL."""
    printer = printer_for(name, dots_per_mm)
    ours = our_picture(name, printer)
    label = make(builtin_template(name), fields_for(name), printer)
    theirs = renderer.draw(label.content, *ours.size)
    assert 0 == np.count_nonzero(dots(ours) != dots(theirs))


@pytest.mark.parametrize("dots_per_mm", [8.0, 300 / 25.4, 600 / 25.4])
@pytest.mark.parametrize("name", builtin_names())
def test_epl_draws_the_same_dots(name: str, dots_per_mm: float) -> None:
    """A reader of EPL written apart from us draws the picture's dots."""
    label = make(
        builtin_template(name), fields_for(name), printer_for(name, dots_per_mm, language="epl")
    )
    ours = dots(our_picture(name, printer_for(name, dots_per_mm)))
    assert np.array_equal(ours, draw_epl(label.content))


@pytest.mark.parametrize("dots_per_mm", [8.0, 300 / 25.4, 600 / 25.4])
@pytest.mark.parametrize("name", builtin_names())
def test_decoder_reads_what_the_label_promises(name: str, dots_per_mm: float) -> None:
    """zxing-cpp reads exactly the expected scans from the picture, at every resolution."""
    printer = printer_for(name, dots_per_mm)
    label = make(builtin_template(name), fields_for(name), printer)
    found = read_symbols(our_picture(name, printer))
    assert sorted(label.expected_scans) == sorted(read.data for read in found)


def test_parcel_label_has_two_codes() -> None:
    """SSCC in GS1-128, SSCC and order number in GS1 Data Matrix."""
    found = read_symbols(our_picture("parcel-4x6", printer_for("parcel-4x6", 8.0)))
    assert {("]C1", f"00{CODE}"), ("]d2", f"00{CODE}400{ORDER.order_id}")} == {
        (read.identifier, read.data) for read in found
    }


@pytest.mark.parametrize(
    ("dots_per_mm", "module"), [(8.0, 4), (300 / 25.4, 6), (12.0, 6), (600 / 25.4, 12)]
)
def test_module_measured_from_the_picture(dots_per_mm: float, module: int) -> None:
    """The narrowest bar is the module, every bar a whole number of them, bars 31.75 mm tall."""
    printer = printer_for("parcel-4x6", dots_per_mm)
    sheet = dots(our_picture("parcel-4x6", printer))
    code = next(
        r for r in read_symbols(our_picture("parcel-4x6", printer)) if r.identifier == "]C1"
    )
    row = sheet[(code.corners[1] + code.corners[3]) // 2]
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
    bars = np.diff(edges)[0::2]
    assert module == bars.min()
    assert not np.any(bars % module)
    assert 0.495 <= module / dots_per_mm <= 0.940
    column = sheet[:, edges[0]]
    longest = max(len(run) for run in "".join("1" if d else "0" for d in column).split("0"))
    assert longest >= 31.75 * dots_per_mm - 1
    quiet = edges[0], len(row) - edges[-1]
    assert min(quiet) >= 10 * module


SYMBOL = """
width_mm = 100
height_mm = 100
[[symbol]]
at_mm = [2, 2]
box_mm = [96, 96]
kind = "{kind}"
{source}
module_mm = {module}
{height}
turn = {turn}
"""


@pytest.mark.parametrize("language", ["zpl", "epl"])
@pytest.mark.parametrize("kind", ["code128", "datamatrix", "qr", "pdf417"])
@settings(SLOW, max_examples=12)
@given(
    data=st.text(st.characters(min_codepoint=1, max_codepoint=126), min_size=2, max_size=12),
    turn=st.sampled_from([0, 90, 180, 270]),
    dots_per_mm=st.sampled_from([8.0, 300 / 25.4, 12.0, 600 / 25.4]),
)
def test_any_text_comes_back_from_the_stream(
    renderer: ZplRenderer, kind: str, language: str, data: str, turn: int, dots_per_mm: float
) -> None:
    """Any text in, the same text out of the drawn stream: each head, turn and language."""
    height = "height_mm = 15" if kind == "code128" else ""
    text = SYMBOL.format(kind=kind, source='data = "{x}"', module=0.3, turn=turn, height=height)
    template = load_template(text.replace("= 100", "= 80").replace("96", "76"), "one")
    printer = Printer(
        label_width_mm=80, label_height_mm=80, dots_per_mm=dots_per_mm, language=language
    )
    label = make(template, {"x": data}, printer)
    side = int(80 * dots_per_mm)
    if language == "zpl":
        drawn = renderer.draw(label.content, side, side)
    else:
        drawn = Image.fromarray(np.where(draw_epl(label.content), 0, 255).astype(np.uint8))
    # across the whole width a stray short reading may stand beside the symbol's own
    found = [symbol.data for symbol in read_symbols(drawn)]
    assert (data,) == label.expected_scans
    assert data in found


@pytest.mark.parametrize("kind", ["gs1-128", "gs1-datamatrix", "gs1-qr"])
@SLOW
@given(order=GS1_82, count=st.integers(1, 9999), turn=st.sampled_from([0, 90, 180, 270]))
def test_gs1_elements_come_back_with_their_separators(
    renderer: ZplRenderer, kind: str, order: str, count: int, turn: int
) -> None:
    """Two variable elements and the separator between them survive printing and reading."""
    source = 'elements = [["37", "{count}"], ["400", "{order}"]]'
    height = "height_mm = 15" if kind == "gs1-128" else ""
    text = SYMBOL.format(kind=kind, source=source, module=0.25, turn=turn, height=height)
    printer = Printer(label_width_mm=100, label_height_mm=100)
    label = make(load_template(text, "one"), {"count": str(count), "order": order}, printer)
    (found,) = read_symbols(renderer.draw(label.content, 800, 800))
    assert f"37{count}\x1d400{order}" == found.data == label.expected_scans[0]
    assert found.identifier in {"]C1", "]d2", "]Q3"}


@settings(SLOW, max_examples=5)
@given(st.integers(0, 10**9 - 1), st.text("ABC-0189", min_size=1, max_size=18))
def test_parcel_label_from_stream_to_scan(
    renderer: ZplRenderer, serial: int, order_id: str
) -> None:
    """A parcel label with any serial and order number is read back from its own stream."""
    from gateway.label import sscc

    code = sscc("9521234", 3, serial)
    fields = {**fields_for("parcel-4x6"), "sscc": code, "order_id": order_id}
    fields["order_gs1"] = order_id
    label = make(builtin_template("parcel-4x6"), fields, printer_for("parcel-4x6", 8.0))
    found = read_symbols(renderer.draw(label.content, 812, 1219))
    assert sorted(label.expected_scans) == sorted(read.data for read in found)
    assert {f"00{code}", f"00{code}400{order_id}"} == set(label.expected_scans)


EVERY_KIND = [
    ("code128", "data = '{x}'", "AIM1234", "AIM1234"),
    ("gs1-128", "elements = [['00', '{x}']]", "376104250021234569", "00376104250021234569"),
    ("code39", "data = '{x}'", "C39 $/+.", "C39 $/+."),
    ("itf", "data = '{x}'", "123456", "123456"),
    ("itf-14", "data = '{x}'", "1540014128876", "15400141288763"),
    ("ean-13", "data = '{x}'", "629104150021", "6291041500213"),
    ("ean-8", "data = '{x}'", "9501234", "95012346"),
    ("upc-a", "data = '{x}'", "03600029145", "0036000291452"),
    ("datamatrix", "data = '{x}'", "A1B2C3D4E5F6G7H8I9J0K1L2", "A1B2C3D4E5F6G7H8I9J0K1L2"),
    ("gs1-datamatrix", "elements = [['10', '{x}'], ['21', '7']]", "AB-123", "10AB-123\x1d217"),
    ("qr", "data = '{x}'", "https://id.example/01", "https://id.example/01"),
    ("gs1-qr", "elements = [['10', '{x}'], ['21', '7']]", "AB-123", "10AB-123\x1d217"),
    ("pdf417", "data = '{x}'", "PDF417 test", "PDF417 test"),
]


@pytest.mark.parametrize("dots_per_mm", [8.0, 300 / 25.4])
@pytest.mark.parametrize("turn", [0, 90, 180, 270])
@pytest.mark.parametrize(("kind", "source", "data", "scan"), EVERY_KIND)
def test_every_symbology_in_both_languages(
    renderer: ZplRenderer,
    kind: str,
    source: str,
    data: str,
    scan: str,
    turn: int,
    dots_per_mm: float,
) -> None:
    """Drawn from ZPL and from EPL by readers that are not ours, each symbol is the picture's."""
    height = "" if kind in {"datamatrix", "gs1-datamatrix", "qr", "gs1-qr", "pdf417"} else "12"
    text = SYMBOL.format(
        kind=kind,
        source=source,
        module=0.3,
        turn=turn,
        height=f"height_mm = {height}" if height else "",
    ).replace("= 100", "= 60")
    template = load_template(text.replace("[96, 96]", "[57, 57]"), "one")
    printer = Printer(label_width_mm=60, label_height_mm=60, dots_per_mm=dots_per_mm)
    label = make(template, {"x": data}, printer)
    ours = Image.open(io.BytesIO(picture(template, {"x": data}, printer, form="png")))
    epl = printer.model_copy(update={"language": "epl"})
    from_epl = draw_epl(make(template, {"x": data}, epl).content)
    from_zpl = dots(renderer.draw(label.content, *ours.size))
    assert np.array_equal(dots(ours), from_epl)
    if "datamatrix" not in kind:  # a printer may encode in its own way inside the stated size
        assert np.array_equal(dots(ours), from_zpl)
    for sheet in (from_epl, from_zpl):
        (found,) = read_symbols(Image.fromarray(np.where(sheet, 0, 255).astype(np.uint8)))
        assert (scan,) == label.expected_scans == (found.data,)


def test_graphic_larger_than_one_field_is_sent_in_parts(renderer: ZplRenderer) -> None:
    """A reversed box of 130 kB at 600 dpi goes in several fields, each below the limit.

    Source of the limit: the language's published programming guide, ^GF.
    """
    text = (
        "width_mm = 60\nheight_mm = 40\n[[text]]\nat_mm = [1, 1]\nbox_mm = [58, 38]\n"
        "text = 'BIG'\ncapital_mm = 20\nbold = true\nreverse = true\nwhen = 'x'\n"
    )
    printer = Printer(label_width_mm=60, label_height_mm=40, dots_per_mm=600 / 25.4)
    template = load_template(text, "big")
    label = make(template, {"x": "y"}, printer)
    sizes = [int(part.split(b",")[1]) for part in label.content.split(b"^GFA")[1:]]
    assert len(sizes) > 1
    assert max(sizes) <= 99_999
    ours = Image.open(io.BytesIO(picture(template, {"x": "y"}, printer, form="png")))
    assert np.array_equal(dots(ours), dots(renderer.draw(label.content, *ours.size)))
