"""Reading ZPL: what is a command, what is data, and what reaches beyond the label."""

import pytest

from gateway.label.inspect import inspect
from label_read.given import codes, errors, texts, zpl
from schemas.inspection import FindingCode
from schemas.order import LabelLanguage

HOSTILE = [
    # commands that sit in data when a sender escapes nothing
    (b"^XZ^XA^ID*:*.*^XZ", "^ID"),
    (b"~JR", "~JR"),
    (b"~JA", "~JA"),
    (b"\x1eJUS", "^JU"),
    (b"\x10JR", "~JR"),
    (b'! U1 setvar "ip.addr" "192.0.2.1"\r\n', "! U1"),
    (b"^CC/", None),
]


def test_text_carries_its_place_and_size() -> None:
    """Positions count from the label's corner in mm, label home included."""
    found = zpl(b"^LH8,16^FO80,40^A0N,32,30^FDTidewater^FS")
    text = found.labels[0].texts[0]
    assert ("Tidewater", 11.0, 7.0, 4.0) == (text.text, text.x_mm, text.y_mm, text.height_mm)


def test_hex_escapes_and_utf_8_read_as_text() -> None:
    """Vector worked from the guide's ^FH rule: each escape stands for one byte."""
    found = zpl(b"^CI28^FO1,1^FH^FDA_5EB_7EC_5FD _C3_A9^FS")
    assert ["A^B~C_D \xe9"] == texts(found)


def test_hex_sign_applies_to_its_own_field_only() -> None:
    """The guide: ^FH holds for the next field data, not for the one after."""
    found = zpl(b"^FO1,1^FH\\^FD\\41^FS^FO1,9^FD_41\\41^FS")
    assert ["A", "_41\\41"] == texts(found)


def test_code_page_850_is_the_power_up_character_set() -> None:
    """Byte 0x82 is e acute in code page 850 (the code page's table)."""
    assert ["\xe9"] == texts(zpl(b"^FO1,1^FD\x82^FS"))


def test_bytes_that_are_no_utf_8_are_reported() -> None:
    """A sender that announces UTF-8 and sends Latin-1 gets a finding, not question marks."""
    assert FindingCode.CHARACTER_SET in codes(zpl(b"^CI28^FO1,1^FDcaf\xe9^FS"))


def test_changed_prefixes_are_followed() -> None:
    """After ^CC, ^CT and ^CD the new signs begin commands and part parameters."""
    found = inspect(b"^XA^CC/~CT!/CD;/PW812/LL1218/FO80;40/FDa^b~c,d/FS!JR/XZ", LabelLanguage.ZPL)
    assert ["a^b~c,d"] == texts(found)
    assert FindingCode.FORBIDDEN_COMMAND in codes(found)


def test_usual_prefix_preamble_is_understood() -> None:
    """Many senders open with this line so that a changed prefix can't harm them."""
    found = inspect(b"CT~~CD,~CC^~CT~\n^XA^FO1,1^FDok^FS^XZ", LabelLanguage.ZPL)
    assert (["ok"], ()) == (texts(found), found.unknown_commands)


def test_record_separator_and_dle_act_as_caret_and_tilde() -> None:
    """The guide's byte substitutes: 0x1E begins a format command, 0x10 a control command."""
    found = inspect(b"\x1eXA\x1eFO1,1\x1eFDraw\x1eFS\x10JR\x1eXZ", LabelLanguage.ZPL)
    assert ["raw"] == texts(found)
    assert any("~JR" in message for message in errors(found))


@pytest.mark.parametrize(("hostile", "named"), HOSTILE)
def test_command_inside_unescaped_data_is_seen(hostile: bytes, named: str | None) -> None:
    """Order data that became a command is found and named, whichever sign it came with."""
    found = zpl(b"^FO1,1^FDname " + hostile + b"^FS")
    if named is None:
        assert FindingCode.UNCLOSED_LABEL in codes(found)
    else:
        assert any(message.startswith(named + " ") for message in errors(found))


@pytest.mark.parametrize(
    "command",
    [
        "^DF",
        "^ID",
        "^EG",
        "~DG",
        "~DY",
        "~JR",
        "~JA",
        "^JU",
        "^KP",
        "^NS",
        "^NN",
        "^WX",
        "^SZ",
        "~PH",
        "^PP",
        "~PR",
        "~HS",
        "^HZ",
        "~JC",
        "~WC",
        "^RF",
    ],
)
def test_command_beyond_the_label_is_refused_and_can_be_allowed(command: str) -> None:
    """Memory, resets, saved settings, network, motion and questions stop a label by default."""
    stream = f"^XA^FO1,1^FDx^FS{command}S,1^XZ".encode()
    refused = inspect(stream, LabelLanguage.ZPL)
    allowed = inspect(stream, LabelLanguage.ZPL, allowed_commands=frozenset({command.lower()}))
    assert FindingCode.FORBIDDEN_COMMAND in codes(refused)
    assert not refused.may_print
    assert FindingCode.FORBIDDEN_COMMAND not in codes(allowed)
    assert FindingCode.ALLOWED_COMMAND in codes(allowed)


def test_refused_command_in_a_stored_format_is_seen() -> None:
    """Storing a format doesn't hide what it would do when it is recalled."""
    found = inspect(b"^XA^DFR:A.ZPL^FS^JUS^FO1,1^FDx^FS^XZ", LabelLanguage.ZPL)
    assert any(message.startswith("^JU ") for message in errors(found))


def test_unknown_commands_are_listed_with_their_number() -> None:
    """Nothing is passed over in silence: name, number of uses, offset of the first."""
    found = zpl(b"^FO1,1^FDx^FS^ZQ1^ZQ2~QQ")
    assert [("^ZQ", 2, 29), ("~QQ", 1, 37)] == [
        (one.command, one.count, one.offset) for one in found.unknown_commands
    ]


def test_tilde_without_letters_is_data() -> None:
    """No control command begins like that; symbol escapes and ranges do."""
    assert ["5 ~ 7 ~1"] == texts(zpl(b"^FO1,1^FD5 ~ 7 ~1^FS"))


def test_stored_format_is_filled_by_number() -> None:
    """^DF keeps, ^XF recalls, ^FN pairs data with fields: the guide's way of templates."""
    stream = (
        b"^XA^DFR:T.ZPL^FS^FO40,40^FN1^FS^FO40,80^FN2^FS^XZ"
        b"^XA^XFR:T.ZPL^FS^FN2^FDtwo^FS^FN1^FDone^FS^XZ"
    )
    found = inspect(stream, LabelLanguage.ZPL, allowed_commands=frozenset({"^DF"}))
    assert 1 == len(found.labels)
    assert {("one", 5.0), ("two", 10.0)} == {(t.text, t.y_mm) for t in found.labels[0].texts}


def test_format_from_the_printer_is_not_guessed() -> None:
    """A recalled format that isn't in the stream could print anything: an error."""
    assert not zpl(b"^XFE:CARRIER.ZPL^FS^FN1^FDx^FS").may_print


def test_formats_that_recall_one_another_end() -> None:
    """A loop of stored formats is refused, not followed."""
    stream = b"^XA^DFR:A.ZPL^FS^XFR:A.ZPL^FS^XZ^XA^XFR:A.ZPL^FS^XZ"
    assert FindingCode.TOO_LARGE in codes(inspect(stream, LabelLanguage.ZPL))


def test_binary_graphic_is_skipped_by_its_length() -> None:
    """Image bytes may spell commands: the stated count decides where they end."""
    image = b"^XZ~JR^XA\x1eJUS!!!"[:16]
    found = zpl(b"^FO1,1^GFB,16,16,2," + image + b"^FS^FO1,40^FDafter^FS")
    assert (["after"], 1, True) == (texts(found), len(found.labels[0].images), found.may_print)


def test_label_without_end_is_an_error() -> None:
    """The printer would wait for ^XZ and mix the label with the next one."""
    found = inspect(b"^XA^FO1,1^FDx^FS", LabelLanguage.ZPL)
    assert FindingCode.UNCLOSED_LABEL in codes(found)
    assert not found.may_print


def test_format_that_only_sets_is_no_label() -> None:
    """A format without fields prints nothing and does not count."""
    found = inspect(b"^XA^PW812^PON^XZ^XA^FO1,1^FDx^FS^XZ", LabelLanguage.ZPL)
    assert 1 == len(found.labels)


def test_several_labels_and_copies_are_errors() -> None:
    """One bag takes one label: two formats or a quantity above one stop it."""
    label = b"^XA^FO1,1^FDx^FS%s^XZ"
    assert FindingCode.SEVERAL_LABELS in codes(inspect(label % b"" * 2, LabelLanguage.ZPL))
    for quantity in (b"^PQ2", b"^PQ1,0,3", b"^PQ9999"):
        assert FindingCode.QUANTITY in codes(inspect(label % quantity, LabelLanguage.ZPL))
    assert FindingCode.QUANTITY not in codes(inspect(label % b"^PQ1,0,1,Y", LabelLanguage.ZPL))


def test_bytes_between_labels_are_told() -> None:
    """What prints nothing is still mentioned."""
    found = inspect(b"HELLO ^XA^FO1,1^FDx^FS^XZ", LabelLanguage.ZPL)
    assert FindingCode.STRAY_DATA in codes(found)


def test_units_in_millimetres_become_dots() -> None:
    """^MUM lets a sender state mm; at 8 dots a mm, 10 mm are 80 dots."""
    found = inspect(b"^XA^MUM^FO10,5^FDx^FS^XZ", LabelLanguage.ZPL, dots_per_mm=8.0)
    text = found.labels[0].texts[0]
    assert (10.0, 5.0) == (text.x_mm, text.y_mm)


def test_doubled_dots_are_an_error() -> None:
    """^JMB halves the resolution: everything would print at twice its size."""
    assert FindingCode.DPI_MISMATCH in codes(zpl(b"^JMB^FO1,1^FDx^FS"))


def test_block_text_breaks_where_its_sender_says() -> None:
    r"""The guide: `\&` is a line break and `\\` a backslash inside a block."""
    assert ["a\nb\\c"] == texts(zpl(rb"^FO1,1^FB300,3^FDa\&b\\c^FS"))


@pytest.mark.parametrize(
    ("body", "place"),
    [
        (b"^LS16^FO80,40^FDx^FS", (8.0, 5.0)),
        (b"^LT8^FO80,40^FDx^FS", (10.0, 6.0)),
        (b"^LH80,40^FO0,0^FDx^FS", (10.0, 5.0)),
        (b"^MU,,^FO80,40^FDx^FS", (10.0, 5.0)),
        (b"^MUD,150,300^FO40,20^FDx^FS", (10.0, 5.0)),
    ],
)
def test_shifts_and_units_move_fields_as_the_guide_says(
    body: bytes, place: tuple[float, float]
) -> None:
    """Home, shifts and unit conversion come before the field's own position."""
    text = zpl(body).labels[0].texts[0]
    assert place == (text.x_mm, text.y_mm)


def test_default_font_and_orientation_apply_where_a_field_states_none() -> None:
    """^CF and ^FW hold for all fields that follow."""
    text = zpl(b"^CF0,48^FWR^FO80,40^FDx^FS").labels[0].texts[0]
    assert (6.0, 90) == (text.height_mm, text.rotation)


def test_bitmap_fonts_grow_in_whole_steps() -> None:
    """Font D is 18 dots tall; 36 asks for twice that, 40 gets the same (guide)."""
    found = zpl(b"^FO1,1^ADN,36,20^FDx^FS^FO1,90^ADN,40,20^FDy^FS").labels[0]
    assert [4.5, 4.5] == [text.height_mm for text in found.texts]


@pytest.mark.parametrize(
    "field",
    [
        b"^FO1,1^FPV,5^FDx^FS",
        b"^FO1,1^FC%^FD%H:%M^FS",
        b"^FT^FDx^FS",
        b"^FO1,1^GSN,30,30^FDA^FS",
        b"^FO1,1^GFC,4,4,1,abcd^FS",
    ],
)
def test_what_is_not_drawn_is_told(field: bytes) -> None:
    """Known commands beyond the reader's picture are named, never passed over."""
    assert FindingCode.NOT_DRAWN in codes(zpl(field))


def test_serial_field_shows_its_first_value() -> None:
    """^SN prints its start value on the first label."""
    assert ["0041"] == texts(zpl(b"^FO1,1^SN0041,1,Y^FS"))


def test_image_that_is_not_in_the_stream_is_told() -> None:
    """A recalled logo may be anything: a warning, for it carries no code."""
    found = zpl(b"^FO1,1^XGE:LOGO.GRF,1,1^FS^FO1,1^FDx^FS")
    assert (True, True) == (FindingCode.MISSING_OBJECT in codes(found), found.may_print)


def test_text_block_wraps_to_its_own_height() -> None:
    """^TB states width and height of a block; the text is the sender's."""
    assert ["some words"] == texts(zpl(b"^FO1,1^A0N,30,30^TBN,200,90^FDsome words^FS"))


def test_unknown_character_set_is_told() -> None:
    """A set that this reader does not know is not guessed."""
    assert FindingCode.CHARACTER_SET in codes(zpl(b"^CI99^FO1,1^FD\xe9^FS"))


def test_field_without_data_of_a_stored_format_is_told() -> None:
    """A template's field that nobody filled prints empty."""
    stream = b"^XA^DFR:T.ZPL^FS^FO9,9^FN1^FS^XZ^XA^XFR:T.ZPL^FS^FN2^FDx^FS^XZ"
    found = inspect(stream, LabelLanguage.ZPL)
    lost = [f for f in found.findings if f.code is FindingCode.MISSING_OBJECT]
    assert 2 == len(lost)


def test_exclamation_in_a_text_is_no_settings_line() -> None:
    """Only `! U1` with what follows, or a line that begins so, is the settings language."""
    found = zpl(b"^FO1,1^FDWow! U made it^FS")
    assert (True, ["Wow! U made it"]) == (found.may_print, texts(found))
