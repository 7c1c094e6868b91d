"""Letters: any script that a font of the host draws, and never a question mark."""

import io
import unicodedata

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, features
from rigs.label_demo import fields_for, printer_for
from rigs.zpl import dots

from gateway.label import TextRefused, builtin_template, fonts, load_template, make, picture

LATIN = [chr(c) for c in range(0xA1, 0x250) if unicodedata.category(chr(c))[0] in "LNPS"]


def test_all_of_latin_with_accents_has_letters_of_its_own() -> None:
    """Every letter from Latin-1 to Latin Extended-B is drawn, and none as another's blank box."""
    blank = fonts.draw("\ufffd", 40, True).data
    for letter in LATIN:
        if unicodedata.category(letter) != "Cf":
            drawn = fonts.draw(letter, 40, True)
            assert any(drawn.data), letter
            assert blank != drawn.data, letter


needs_shaping = pytest.mark.skipif(
    not features.check("raqm"), reason="Pillow finds no libfribidi: it can't join letters"
)


@pytest.mark.parametrize(
    "text", ["Θεσσαλονίκη", "Санкт-Петербург", "Երևան", "თბილისი", "Ţuţuianu Łódź"]
)
def test_other_scripts_are_drawn(text: str) -> None:
    """Greek, Cyrillic, Armenian, Georgian and Latin beyond Western Europe have ink."""
    assert any(fonts.draw(text, 32, True).data)


@needs_shaping
def test_arabic_letters_join() -> None:
    """Arabic is shaped: joined letters are narrower than the same ones apart."""
    word = "ببب"
    assert fonts.width(word, 40, True) < 3 * fonts.width("ب", 40, True)


@needs_shaping
@pytest.mark.parametrize(
    ("text", "leftwards"),
    [("ليلى", True), ("12 שלום", True), ("Ode 12", False), ("Ode ליל", False), ("12", False)],
)
def test_line_that_runs_leftwards_starts_at_the_right(text: str, leftwards: bool) -> None:
    """Source: Unicode Standard Annex 9, rules P2 and P3: the first strong letter decides."""
    body = f"""
width_mm = 60
height_mm = 20
least_width_mm = 60
least_height_mm = 20
[[text]]
at_mm = [5, 5]
box_mm = [50, 10]
capital_mm = 3
text = "{text}"
"""
    printer = printer_for("t", 8.0, label_width_mm=60, label_height_mm=20)
    made = picture(load_template(body, "t"), {}, printer, form="png")
    columns = np.flatnonzero(dots(Image.open(io.BytesIO(made))).any(axis=0)) / 8
    assert (columns[0] > 30) is np.bool_(leftwards)
    assert 4.5 < columns[0]
    assert columns[-1] < 55.5


def test_host_that_cannot_join_letters_refuses_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the library that sets right-to-left text it is refused, never printed unjoined."""
    monkeypatch.setattr(features, "check", lambda _name: False)
    fonts._stretches.cache_clear()
    with pytest.raises(TextRefused, match="libfribidi"):
        fonts.draw("ليلى", 30, True)
    fonts._stretches.cache_clear()


def test_accent_and_letter_may_come_apart() -> None:
    """A letter with a combining accent is the composed letter."""
    apart, composed = "Re\u0301union Ha\u030arhus", "R\u00e9union H\u00e5rhus"
    assert composed == fonts.tidy(apart)
    assert fonts.draw(fonts.tidy(apart), 30, False) == fonts.draw(composed, 30, False)


@pytest.mark.parametrize("text", ["\x00", "a\x1eb", "\u2028", "\ue000", "\U000f0000", "\x7f"])
def test_what_is_no_letter_is_refused(text: str) -> None:
    """Control characters, line separators and private use have no letters anywhere."""
    with pytest.raises(TextRefused, match="no character that can be printed"):
        fonts.draw(text, 20, True)


def test_script_without_a_font_is_refused_by_name() -> None:
    """Where no font of the host has a letter, the label is refused and names it."""
    fields = {**fields_for("parcel-4x6"), "ship_to.name": "𐎠𐎡𐎢"}  # Old Persian
    try:
        fonts.draw("𐎠", 20, True)
    except TextRefused:
        with pytest.raises(TextRefused, match=r"line \d+: no font .*OLD PERSIAN SIGN A"):
            make(builtin_template("parcel-4x6"), fields, printer_for("parcel-4x6", 8.0))


def test_printer_without_images_refuses_what_its_own_font_lacks() -> None:
    """With `font_host_images` off, Latin goes as text; another script refuses the label."""
    template = load_template(
        "width_mm = 60\nheight_mm = 40\n[[text]]\nat_mm = [2, 2]\ntext = '{t}'\ncapital_mm = 3\n",
        "plain",
    )
    plain = printer_for(
        "x", 8.0, label_width_mm=60, label_height_mm=40, font_host_images=False, language="zpl"
    )
    assert b"^FDZo_C3_AB^FS" in make(template, {"t": "Zoë"}, plain).content
    for language in ("zpl", "epl"):
        printer = plain.model_copy(update={"language": language})
        with pytest.raises(TextRefused, match="no letters for 'Москва' and takes no images"):
            make(template, {"t": "Москва"}, printer)


@settings(deadline=None)
@given(st.text(min_size=1, max_size=20), st.integers(8, 60), st.booleans())
def test_any_text_is_drawn_whole_or_refused(text: str, size: int, bold: bool) -> None:
    """No text makes the drawing fail in another way, and a second drawing is the same."""
    try:
        first = fonts.draw(fonts.tidy(text), size, bold)
    except TextRefused:
        return
    assert first == fonts.draw(fonts.tidy(text), size, bold)
    assert first.height == fonts.letters(size, bold).height


@given(st.text("ABCdefgij 0189-ÅØ", min_size=1, max_size=30), st.integers(10, 80))
def test_width_is_the_sum_of_the_advances(text: str, size: int) -> None:
    """The ink of a line is as wide as was measured, give or take the last letter's bearing."""
    measured, ink = fonts.width(text, size, False), fonts.draw(text, size, False).width
    assert abs(measured - ink) <= max(size // 4, 2)


def test_nothing_draws_as_nothing() -> None:
    """An empty text has no width and no ink, and does not fail."""
    assert 0 == fonts.width("", 20, True)
    assert not any(fonts.draw("", 20, True).data)


def test_memory_of_drawn_letters_is_bounded() -> None:
    """Texts of every width draw the same after the letters kept for them were forgotten."""
    fonts.letters.cache_clear()
    text = "Kept letters 0123456789"
    before = fonts.draw(text, 90, True)
    for length in range(1, 80):
        fonts.draw("Wide " * length, 90, True)
        assert fonts.letters(90, True).kept_bytes <= 2_100_000
    assert before == fonts.draw(text, 90, True)
