"""PNG, SVG and PDF show the same dots at their true size."""

import io
import re
import shutil
import subprocess
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from rigs.label_demo import fields_for, printer_for
from rigs.zpl import ZplRenderer, dots

from gateway.label import builtin_template, load_template, make, picture
from gateway.label.bitmap import Bitmap
from gateway.label.canvas import Canvas, Ink
from gateway.label.symbols import Symbology, encode


@pytest.mark.parametrize("dots_per_mm", [8.0, 300 / 25.4])
def test_svg_fills_the_dots_of_the_png(dots_per_mm: float) -> None:
    """Filling the rectangles of the SVG gives the PNG, dot for dot, and it is as wide in mm."""
    template, printer = builtin_template("parcel-4x6"), printer_for("parcel-4x6", dots_per_mm)
    fields = fields_for("parcel-4x6")
    ink = dots(Image.open(io.BytesIO(picture(template, fields, printer, form="png"))))
    svg = picture(template, fields, printer, form="svg").decode()
    filled = np.zeros_like(ink)
    for x, y, right, bottom, back in re.findall(r"M(\d+) (\d+)H(\d+)V(\d+)H(\d+)z", svg):
        assert x == back
        filled[int(y) : int(bottom), int(x) : int(right)] = True
    assert np.array_equal(ink, filled)
    width = float(re.search(r'width="([\d.]+)mm"', svg)[1])  # type: ignore[index]
    assert abs(ink.shape[1] / dots_per_mm - width) < 0.001


def test_pdf_holds_the_dots_of_the_png(tmp_path: Path) -> None:
    """The image taken out of the PDF by poppler is the PNG, on a page of the label's size."""
    if shutil.which("pdfimages") is None:
        pytest.skip("poppler-utils is not installed")
    template, printer = builtin_template("parcel-4x6"), printer_for("parcel-4x6", 8.0)
    fields = fields_for("parcel-4x6")
    (tmp_path / "label.pdf").write_bytes(picture(template, fields, printer, form="pdf"))
    subprocess.run(["pdfimages", "-png", "label.pdf", "out"], cwd=tmp_path, check=True)
    png = Image.open(io.BytesIO(picture(template, fields, printer, form="png")))
    assert np.array_equal(dots(png), dots(Image.open(tmp_path / "out-000.png")))
    said = subprocess.run(["pdfinfo", "label.pdf"], cwd=tmp_path, check=True, capture_output=True)
    width, height = re.findall(rb"Page size:\s+([\d.]+) x ([\d.]+)", said.stdout)[0]
    assert abs(812 / 8 / 25.4 * 72 - float(width)) < 0.1
    assert abs(1219 / 8 / 25.4 * 72 - float(height)) < 0.1


@pytest.mark.parametrize("form", ["png", "svg", "pdf"])
def test_same_label_gives_the_same_file(form: str) -> None:
    """No date, no chance: a picture made twice has the same bytes."""
    template, printer = builtin_template("return"), printer_for("return", 8.0)
    first, second = (
        picture(template, fields_for("return"), printer, form=form)  # type: ignore[arg-type]
        for _ in range(2)
    )
    assert first == second


def test_bitmap_turns_clockwise() -> None:
    """A quarter turn takes the left column to the top row, and four turns change nothing."""
    block = Bitmap.from_rows((0b100, 0b101), 3)
    assert [[True, True], [False, False], [True, False]] == block.turned(90).dots().tolist()
    assert block == block.turned(90).turned(90).turned(180)
    assert block == block.turned(270).turned(90)


def test_canvas_inverts_and_cuts_off_at_its_edges() -> None:
    """Inverting twice restores; what lies beyond the edge is cut, not wrapped."""
    canvas = Canvas(20, 10)
    canvas.rectangle(-5, -5, 10, 10)
    before = canvas.image()
    canvas.rectangle(2, 2, 30, 30, Ink.INVERT)
    assert canvas.image() != before
    canvas.rectangle(2, 2, 30, 30, Ink.INVERT)
    assert canvas.image() == before
    assert 25 == int(dots(before).sum())


def test_frame_is_drawn_inwards() -> None:
    """A frame of thickness 2 fills nothing outside its size and leaves its middle blank."""
    canvas = Canvas(12, 12)
    canvas.box(1, 1, 10, 10, 2)
    ink = dots(canvas.image())
    assert 100 - 36 == int(ink.sum())
    assert not ink[0].any()
    assert not ink[5, 5]


def test_text_turned_on_the_canvas_is_the_same_ink() -> None:
    """A text drawn at each turn has the same dots, turned."""
    upright, turned = Canvas(120, 40), Canvas(40, 120)
    upright.text(5, 5, "Fg7", 30)
    turned.text(5, 5, "Fg7", 30, turn=90)
    one, other = dots(upright.image()), dots(turned.image())
    assert int(one.sum()) == int(other.sum()) > 50
    symbol = encode(Symbology.DATAMATRIX, "turn")
    turned.matrix(0, 60, symbol, 1, turn=180)
    assert int(dots(turned.image()).sum()) > int(other.sum())


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_whole_label_turned_is_the_picture_turned(renderer: ZplRenderer, turn: int) -> None:
    """A template with `turn` gives the upright picture turned, in our drawing and in the stream."""
    text = (resources.files("gateway.label") / "templates" / "parcel-4x6.toml").read_text("utf-8")
    template = load_template(text.replace("needs =", f"turn = {turn}\nneeds =", 1), "turned")
    upright = printer_for("parcel-4x6", 8.0)
    sideways = {"label_width_mm": 152.4, "label_height_mm": 101.6, "head_width_mm": 168.0}
    printer = upright if turn == 180 else upright.model_copy(update=sideways)
    fields = fields_for("parcel-4x6")
    png = picture(builtin_template("parcel-4x6"), fields, upright, form="png")
    wanted = np.rot90(dots(Image.open(io.BytesIO(png))), -turn // 90)
    ours = Image.open(io.BytesIO(picture(template, fields, printer, form="png")))
    assert np.array_equal(wanted, dots(ours))
    drawn = renderer.draw(make(template, fields, printer).content, *ours.size)
    assert np.array_equal(wanted, dots(drawn))
