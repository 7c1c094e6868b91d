"""Data never becomes a command: streams are cut up again by a reader of their own."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rigs.label_demo import printer_for
from rigs.label_streams import epl_commands, zpl_commands, zpl_field_data

from gateway.label import LabelError, MadeLabel, load_template, make
from schemas.station import Printer

QUICK = settings(deadline=None)
"""The first character that no shipped font has makes the engine look through the host's fonts."""
HOSTILE = [
    "^XZ^XA^ID*:*.*^XZ",
    "~JR",
    "~JA",
    "^CC/",
    "^FS^PQ9999",
    "_5EXZ",
    ">8>;",
    r"\&",
    "\x1eXZ",
    "\x10JR",
    '"\nP999',
    "\n^@",
    "\n^default",
    '\nFK"*"',
    '! U1 setvar "ip.addr" "192.0.2.1"',
    "\x00",
    "\x02",
    "\x1b",
    "\u2028",
    "A^B~C_D é",
    'A"B\\C',
]
"""Source: the published programming guides' control bytes, substitutes and third language."""

TEMPLATE = load_template(
    """
    width_mm = 160
    height_mm = 60
    letters = "printer"
    [[text]]
    at_mm = [2, 2]
    text = "{text}"
    capital_mm = 2
    least_mm = 0.6
    wrap = true
    overflow = "cut"
    [[symbol]]
    at_mm = [2, 20]
    box_mm = [156, 14]
    kind = "code128"
    data = "{code}"
    when = "code"
    [[symbol]]
    at_mm = [2, 36]
    box_mm = [20, 20]
    kind = "datamatrix"
    data = "{code}"
    when = "code"
    """,
    "hostile",
)
OURS_ZPL = {
    *("^XA", "^CI", "^PW", "^LL", "^LH", "^LS", "^PO", "^LR", "^FW", "^CF", "^BY", "^FO", "^FT"),
    *("^GF", "^GB", "^FH", "^FD", "^FS", "^A0", "^BC", "^BX", "^B2", "^B3", "^PQ", "^XZ"),
}
OURS_EPL = {"N", "I", "q", "Q", "R", "ZT", "GW", "LO", "B", "A", "P"}
FULL = st.text(min_size=1, max_size=40) | st.sampled_from(HOSTILE)
PRINTABLE = st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=16)


def made(text: str, code: str, printer: Printer) -> MadeLabel | None:
    """The label, or None where it was refused."""
    try:
        return make(TEMPLATE, {"text": text, "code": code}, printer)
    except LabelError:
        return None


def printer(language: str, *, images: bool = True) -> Printer:
    """A printer whose own letters are asked for."""
    return printer_for(
        "x", 8.0, language=language, label_width_mm=160, label_height_mm=60,
        head_width_mm=168,        font_host_images=images,
    )  # fmt: skip


@QUICK
@given(FULL, st.just("") | FULL, st.booleans())
def test_zpl_of_any_data_holds_our_commands_only(text: str, code: str, images: bool) -> None:
    """Whatever the data, the stream is one format of commands that we write, no control byte."""
    label = made(text, code, printer("zpl", images=images))
    if label is None:
        return
    commands = zpl_commands(label.content)
    assert {name for name, _ in commands} <= OURS_ZPL
    assert ["^XA", "^XZ"] == [name for name, _ in commands if name in {"^XA", "^XZ"}]
    assert [b"1,0,0,N"] == [body for name, body in commands if name == "^PQ"]
    assert re.fullmatch(rb"[\n -~]*", label.content)
    assert not re.search(rb"!\s*U", label.content, re.IGNORECASE)
    assert label.content == made_again(text, code, images)


def made_again(text: str, code: str, images: bool) -> bytes:
    """The same input gives the same bytes."""
    label = made(text, code, printer("zpl", images=images))
    assert label is not None
    return label.content


LETTERS = st.characters(min_codepoint=32, max_codepoint=0x17F, blacklist_categories=["Cc", "Cf"])


@QUICK
@given(st.text(LETTERS, min_size=1, max_size=30))
def test_zpl_text_comes_back_as_it_went_in(text: str) -> None:
    """Undoing the escapes of the field data gives the text, for letters that printers have."""
    label = made(text, "", printer("zpl"))
    assert label is not None
    said = zpl_field_data(zpl_commands(label.content))
    drawn = any(name == "^GF" for name, _ in zpl_commands(label.content))
    wanted = "".join(text.split())
    assert drawn or "".join("".join(said).split()) == wanted or "…" in "".join(said)


@QUICK
@given(FULL, st.just("") | FULL, st.booleans())
def test_epl_of_any_data_holds_our_commands_only(text: str, code: str, images: bool) -> None:
    """Whatever the data, each line is a command that we write and one label is printed."""
    label = made(text, code, printer("epl", images=images))
    if label is None:
        return
    commands = epl_commands(label.content)
    assert {c.name for c in commands} <= OURS_EPL
    assert [("1", "1")] == [c.numbers for c in commands if c.name == "P"]


@QUICK
@given(PRINTABLE)
def test_epl_text_comes_back_as_it_went_in(text: str) -> None:
    """A quoted text read by the language's rule is the text."""
    try:
        label = make(TEMPLATE, {"text": text, "code": ""}, printer("epl", images=False))
    except LabelError:
        return
    said = " ".join(c.text for c in epl_commands(label.content) if c.name == "A")
    assert "".join(text.split()) == "".join(said.split()) or "…" in said


def test_escaped_field_data_of_the_guide() -> None:
    """`A^B~C_D é` is sent as hexadecimal. Source: the guide's rule for ^FH, UTF-8 under ^CI28."""
    label = made("A^B~C_D é", "", printer("zpl"))
    assert label is not None
    assert b"^FH_^FDA_5EB_7EC_5FD _C3_A9^FS" in label.content


def test_quoted_text_of_the_guide() -> None:
    """`A"B\\C` is sent with a backslash before each. Source: the guide's rule for quotes."""
    label = made('A"B\\C', "", printer("epl", images=False))
    assert label is not None
    assert b'"A\\"B\\\\C"' in label.content


@pytest.mark.parametrize("data", [d for d in HOSTILE if d.isascii()])
@pytest.mark.parametrize("language", ["zpl", "epl"])
def test_hostile_strings_in_a_symbol_stay_data(data: str, language: str) -> None:
    """Each hostile string is either in the symbol, unchanged, or the label is refused."""
    label = made("x", data, printer(language))
    assert label is not None
    assert (data,) == label.expected_scans
