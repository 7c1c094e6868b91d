"""Reading EPL: lines, quoted data, bitmaps of any bytes, what reaches beyond the label."""

import pytest

from gateway.label.inspect import inspect
from label_read.given import codes, epl, errors, texts
from schemas.inspection import FindingCode
from schemas.order import LabelLanguage


def test_text_carries_its_place_and_size() -> None:
    """Coordinates count from the reference point; font 4 is 24 dots tall at 8 dots a mm (guide)."""
    text = epl(b'R8,16\nA80,40,0,4,1,2,N,"Tidewater"').labels[0].texts[0]
    assert ("Tidewater", 11.0, 7.0, 6.0) == (text.text, text.x_mm, text.y_mm, text.height_mm)


def test_escaped_quote_and_backslash_read_back() -> None:
    r"""The guide: `\"` is a quote and `\\` a backslash inside data. Vector: A"B\C."""
    assert ['A"B\\C'] == texts(epl(b'A1,1,0,1,1,1,N,"A\\"B\\\\C"'))


def test_code_page_is_the_one_that_was_chosen() -> None:
    """I8,A is Windows 1252: byte 0xE9 is e acute; before it code page 437: 0x82 (the tables)."""
    assert ["\xe9"] == texts(epl(b'I8,A,001\nA1,1,0,1,1,1,N,"\xe9"'))
    assert ["\xe9"] == texts(epl(b'A1,1,0,1,1,1,N,"\x82"'))


def test_carriage_returns_are_ignored() -> None:
    """Lines end with LF; a CR before it changes nothing (guide)."""
    stream = b'\r\nN\r\nA1,1,0,1,1,1,N,"x"\r\nP1\r\n'
    found = inspect(stream, LabelLanguage.EPL)
    assert (["x"], True) == (texts(found), found.may_print)


def test_bitmap_bytes_are_never_commands() -> None:
    """Image bytes may spell commands and line ends: the stated size decides where they end."""
    image = b'\n^@\nFK"*"\nP99\n'[:16].ljust(16, b"\n")
    found = epl(b"GW8,8,2,8," + image + b'\nA1,40,0,1,1,1,N,"after"')
    assert (["after"], 1, True) == (texts(found), len(found.labels[0].images), found.may_print)


def test_bitmap_that_ends_early_is_an_error() -> None:
    """The printer would take the next commands for image bytes."""
    assert FindingCode.BAD_GRAPHIC in codes(epl(b"GW8,8,100,100,xx"))


@pytest.mark.parametrize(
    "line",
    [
        "^@",
        "^default",
        'FK"*"',
        'GK"*"',
        'GM"A"200',
        'FS"A"',
        "OD",
        "UN",
        "UQ",
        "^ee",
        "^q",
        "Y96,N,8,1",
    ],
)
def test_command_beyond_the_label_is_refused_and_can_be_allowed(line: str) -> None:
    """Resets, stored objects, hardware options and questions stop a label by default."""
    body = b'A1,1,0,1,1,1,N,"x"\n' + line.encode()
    refused = epl(body)
    name = next(m.split()[0] for m in errors(refused))
    assert FindingCode.FORBIDDEN_COMMAND in codes(refused)
    assert FindingCode.FORBIDDEN_COMMAND not in codes(epl(body, allowed=frozenset({name})))


@pytest.mark.parametrize(
    ("data", "named"),
    [
        (b'"\nP999\n', FindingCode.QUANTITY),
        (b'"\n^@\n', FindingCode.FORBIDDEN_COMMAND),
        (b'"\nFK"*"\n', FindingCode.FORBIDDEN_COMMAND),
        (b'! U1 setvar "ip.addr" "192.0.2.1"\r\n', FindingCode.FORBIDDEN_COMMAND),
    ],
)
def test_command_inside_unescaped_data_is_seen(data: bytes, named: FindingCode) -> None:
    """Order data that ended its line and became a command is found."""
    assert named in codes(epl(b'A1,1,0,1,1,1,N,"name ' + data + b'"'))


def test_second_print_of_the_same_image_is_a_second_label() -> None:
    """The image stays in its buffer after P: printing again makes another label (guide)."""
    found = inspect(b'\nN\nA1,1,0,1,1,1,N,"x"\nP1\nP1\n', LabelLanguage.EPL)
    assert (2, True) == (len(found.labels), FindingCode.SEVERAL_LABELS in codes(found))


def test_sets_and_copies_multiply() -> None:
    """P2,3 prints two sets of three (guide)."""
    found = inspect(b'\nN\nA1,1,0,1,1,1,N,"x"\nP2,3\n', LabelLanguage.EPL)
    assert 6 == found.labels[0].quantity


def test_image_that_is_never_printed_is_an_error() -> None:
    """Without P nothing leaves the printer, and the next label's N clears it."""
    found = inspect(b'\nN\nA1,1,0,1,1,1,N,"x"\n', LabelLanguage.EPL)
    assert FindingCode.UNCLOSED_LABEL in codes(found)


def test_line_without_its_end_is_an_error() -> None:
    """A last line without LF is not carried out (guide: every line ends with LF)."""
    found = inspect(b'\nN\nA1,1,0,1,1,1,N,"x"\nP1', LabelLanguage.EPL)
    assert FindingCode.UNCLOSED_LABEL in codes(found)


def test_unknown_lines_are_listed() -> None:
    """Nothing is passed over in silence."""
    found = epl(b'A1,1,0,1,1,1,N,"x"\nKQ1\nKQ2')
    assert [("KQ", 2)] == [(one.command, one.count) for one in found.unknown_commands]


def test_commands_are_case_sensitive() -> None:
    """A small letter is another command (guide): this line draws no text."""
    found = epl(b'a1,1,0,1,1,1,N,"x"')
    assert ([], ["a"]) == (texts(found), [one.command for one in found.unknown_commands])


def test_stream_in_the_other_language_is_told() -> None:
    """A mix-up of languages is named, not printed as letters."""
    found = inspect(b"^XA^FO1,1^FDx^FS^XZ", LabelLanguage.EPL)
    assert FindingCode.LANGUAGE_MISMATCH in codes(found)
    found = inspect(b'\nN\nA1,1,0,1,1,1,N,"x"\nP1\n', LabelLanguage.ZPL)
    assert FindingCode.LANGUAGE_MISMATCH in codes(found)


@pytest.mark.parametrize(
    ("line", "code"),
    [
        (b'A1,1,0,Z,1,1,N,"x"', FindingCode.NOT_DRAWN),
        (b'B1,1,0,XX,2,4,80,N,"x"', FindingCode.NOT_DRAWN),
        (b'b1,1,H,"x"', FindingCode.NOT_DRAWN),
        (b'b1,1,M,m2,"002,840,45458,message"', FindingCode.NOT_DRAWN),
        (b'A1,1,0,1,1,1,N,"x', FindingCode.BAD_PARAMETER),
        (b'A1,1,0,1,1,1,N,"x"tail', FindingCode.BAD_PARAMETER),
        (b"I8,Q,001", FindingCode.CHARACTER_SET),
        (b'FR"FORM"', FindingCode.MISSING_OBJECT),
        (b'GG1,1,"LOGO"', FindingCode.MISSING_OBJECT),
        (b"N\nP1", FindingCode.BAD_PARAMETER),
        (b'B50,50,0,0,3,6,80,N,"00376104250021234568"', FindingCode.CHECK_DIGIT_WRONG),
        (b'B50,50,0,0,3,6,80,N,"0037"', FindingCode.SYMBOL_DATA),
        (b'B50,50,0,1C,3,6,80,N,"12A"', FindingCode.SYMBOL_DATA),
        (b'B50,50,0,1E,4,6,80,N,"(00)376104250021234568"', FindingCode.CHECK_DIGIT_WRONG),
    ],
)
def test_trouble_in_a_line_is_told(line: bytes, code: FindingCode) -> None:
    """Each kind of trouble has its code, and the label that it belongs to is still read."""
    found = epl(line)
    assert (True, True) == (code in codes(found), len(found.labels) >= 1)


def test_bottom_first_turns_the_label() -> None:
    """ZB prints from the bottom of the image buffer: the label comes out turned (guide)."""
    found = epl(b"ZB\nLO10,10,80,20\nLW10,10,5,5\nLE20,10,5,5\nLS9,9,2,40,50\nX1,1,2,90,90")
    assert 1 == len(found.labels)


def test_variable_of_a_stored_form_is_told() -> None:
    """A text that a form fills in when it prints is not in the stream: said by name."""
    found = epl(b'A1,1,0,3,1,1,N,"Lot"\nA1,40,0,3,1,1,N,V07')
    assert [(FindingCode.MISSING_OBJECT, True)] == [
        (one.code, one.message.startswith("V07 ")) for one in found.findings
    ]
