"""The gap between two labels is the stock's own: said wrongly, every label after it drifts."""

import pytest

from gateway.label import load_template, make
from schemas.order import LabelLanguage
from schemas.station import Media, Printer


@pytest.mark.parametrize(
    ("printer", "expected"),
    [
        # 20 mm high with a 3 mm gap at 203 dpi is Q160,24. Source: the worked example of the
        # language's published programming guide.
        (Printer(label_height_mm=20, label_width_mm=100), b"\nQ160,24\n"),
        (Printer(label_height_mm=20, label_width_mm=100, gap_mm=2), b"\nQ160,16\n"),
        (Printer(label_height_mm=20, label_width_mm=100, gap_mm=0), b"\nQ160,0\n"),
        (Printer(label_height_mm=20, label_width_mm=100, media=Media.ON_FILM), b"\nQ160,0\n"),
    ],
)
def test_form_length_says_the_gap_of_the_stock(printer: Printer, expected: bytes) -> None:
    """Height and gap in dots; none on film, which has none."""
    epl = printer.model_copy(update={"language": LabelLanguage.EPL})
    template = load_template("width_mm = 100\nheight_mm = 20\n", "low")
    assert expected in make(template, {}, epl).content
