"""What we make, our own reader of supplied labels understands: two parts written apart agree."""

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from rigs.label_demo import fields_for, printer_for
from rigs.zpl import dots

from gateway.label import builtin_names, builtin_template, load_template, make, picture
from gateway.label.inspect import inspect
from gateway.label.supplied import draw
from schemas.order import LabelLanguage
from schemas.station import Printer


@pytest.mark.parametrize("language", list(LabelLanguage))
@pytest.mark.parametrize("dots_per_mm", [8.0, 300 / 25.4])
@pytest.mark.parametrize("name", builtin_names())
def test_reader_finds_no_fault_and_the_same_codes(
    name: str, dots_per_mm: float, language: LabelLanguage
) -> None:
    """The reader lets every label of ours pass, expects the same scans and draws the same dots."""
    printer = printer_for(name, dots_per_mm, language=language)
    template, fields = builtin_template(name), fields_for(name)
    made = make(template, fields, printer)
    found = inspect(made.content, language, dots_per_mm=dots_per_mm, printer=printer)
    assert [] == [f.message for f in found.findings]
    assert sorted(made.expected_scans) == sorted(found.expected_scans)
    ours = dots(Image.open(io.BytesIO(picture(template, fields, printer, form="png"))))
    assert np.array_equal(
        ours, dots(Image.open(io.BytesIO(draw(made.content, language, dots_per_mm, 0))))
    )


ONE = """
width_mm = 100
height_mm = 100
[[symbol]]
at_mm = [2, 2]
box_mm = [96, 96]
kind = "{kind}"
data = "{{x}}"
module_mm = 0.5

turn = {turn}
"""


@pytest.mark.parametrize("language", list(LabelLanguage))
@pytest.mark.parametrize("kind", ["datamatrix", "qr"])
@settings(deadline=None, max_examples=30)
@given(
    data=st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=6, max_size=12),
    turn=st.sampled_from([0, 90, 180, 270]),
)
def test_reader_gives_any_data_back(
    kind: str, language: LabelLanguage, data: str, turn: int
) -> None:
    """Any text in a symbol, at any turn, is what the reader says a scanner must read."""

    template = load_template(ONE.format(kind=kind, turn=turn), "one")
    printer = Printer(label_width_mm=100, label_height_mm=100, language=language)
    made = make(template, {"x": data}, printer)
    found = inspect(made.content, language, dots_per_mm=8.0, printer=printer)
    assert (data,) == made.expected_scans == tuple(found.expected_scans)
