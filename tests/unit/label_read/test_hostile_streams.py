"""Streams that nobody should send: the reader ends, within bounds, with an answer."""

import base64
import binascii
import zlib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.label.errors import LabelError
from gateway.label.inspect import inspect
from gateway.label.marks import MAX_BYTES, MAX_COMMANDS, MAX_SYMBOLS
from gateway.label.supplied import draw
from label_read.given import VECTORS, codes
from schemas.inspection import FindingCode
from schemas.order import LabelLanguage
from schemas.station import Printer

MANY = settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
PIECES = [
    *(b"^XA ^XZ ^FS ^FD ^FV ^FO ^FT9,9 ^FH ^FR ^FB9,9 ^FN1 ^SN ^GB ^GC ^GD ^GE ^A0 ^BY9").split(),
    *(b"^BC ^B3 ^B2 ^BE ^BU ^BX ^BQ ^B7 ^B0 ^BD ^BK ^GFA,8,8,1, ^GFB,9,9,1, ~DGA,8,8,").split(),
    *(b"^XGA ^CC/ ^CD; ~CT! ^CI28 ^CI29 ^MUM ^POI ^LRY ^DFA ^XFA ~JR ^PQ9 ^PW9 ^LL9").split(),
    *(b":Z64: >8 >; ! U1 ^LH9,9 N P1 q9 Q9,9 R9,9 GW1,1,1,1, ZB I8,A FR FK ^@").split(),
    *(b'A1,1,0,1,1,1,N," B1,1,0,1E,2,2,9,B," b1,1,D," b1,1,Q," X1,1,1,9,9 LO1,1,9,9').split(),
    *(b'\\ " , 32000 -99999999 99999999').split(),
    *[b"\n", b"\x1e", b"\x10", b"\xff"],
]
piece = st.one_of(st.sampled_from(PIECES), st.binary(max_size=6))
streams = st.lists(piece, max_size=60).map(b"".join)


def check(stream: bytes, language: LabelLanguage, printer: Printer | None = None) -> None:
    """Inspection answers, and a picture is drawn or refused in the project's own words."""
    found = inspect(stream, language, printer=printer)
    found.model_dump_json()
    assert all(0 <= finding.offset <= len(stream) for finding in found.findings)
    for number in range(min(len(found.labels), 2)):
        try:
            draw(stream, language, found.dots_per_mm, number)
        except LabelError:
            continue


@MANY
@given(st.binary(max_size=400), st.sampled_from(LabelLanguage))
def test_any_bytes_are_answered(stream: bytes, language: LabelLanguage) -> None:
    """No bytes crash the reader."""
    check(stream, language)


@MANY
@given(streams, st.sampled_from(LabelLanguage), st.sampled_from([None, Printer()]))
def test_any_row_of_commands_is_answered(
    stream: bytes, language: LabelLanguage, printer: Printer | None
) -> None:
    """No row of real commands, in any order and cut anywhere, crashes the reader."""
    check(stream, language, printer)


@MANY
@given(st.data(), st.sampled_from(["every-symbol.zpl", "carrier-4x6.zpl", "every-symbol.epl"]))
def test_damaged_label_is_answered(data: st.DataObject, name: str) -> None:
    """A real label with a piece cut out or put in is answered too."""
    stream = (VECTORS / name).read_bytes()
    at = data.draw(st.integers(0, len(stream)))
    cut = data.draw(st.integers(0, 40))
    check(
        stream[:at] + data.draw(st.sampled_from(PIECES)) + stream[at + cut :],
        LabelLanguage(name[-3:]),
    )


def _bomb(copies: int) -> bytes:
    packed = base64.b64encode(zlib.compress(bytes(50_000_000), 9))
    crc = binascii.crc_hqx(packed, 0)
    image = b"^FO1,1^GFA,3900000,3900000,500,:Z64:%s:%04X^FS" % (packed, crc)
    return b"^XA" + image * copies + b"^XZ"


@pytest.mark.parametrize("language", list(LabelLanguage))
@pytest.mark.parametrize(
    "stream",
    [
        pytest.param(b"^XA^FO1,1^FDx^FS" * 312_500, id="five megabytes of fields"),
        pytest.param(b'\nA1,1,0,1,1,1,N,"x"' * 277_778, id="five megabytes of lines"),
        pytest.param(b"^" * 5_000_000, id="five megabytes of carets"),
    ],
)
def test_five_megabytes_are_refused(stream: bytes, language: LabelLanguage) -> None:
    """A stream beyond the contract's limit is refused unread, as one finding."""
    found = inspect(stream, language)
    assert [FindingCode.TOO_LARGE] == [finding.code for finding in found.findings]
    assert (len(stream) > MAX_BYTES, False) == (True, found.may_print)


@pytest.mark.parametrize(
    "stream",
    [
        pytest.param(b"^FX" * (MAX_COMMANDS + 1), id="commands"),
        pytest.param(b"^XA^FDx^FS^XZ" * 60, id="labels"),
        pytest.param(b"^XA" + b"^FO1,1^BCN,9^FDa^FS" * (MAX_SYMBOLS + 1), id="symbols"),
        pytest.param(b"^XA" + b"^FDa^FS" * 3000, id="fields"),
        pytest.param(b"^XA^FD" + b"a" * 9000, id="field data"),
        pytest.param(b"! U1 " * 1000, id="findings"),
        pytest.param(
            b"".join(b"^%c%c" % (a, b) for a in range(130, 190) for b in range(48, 58)),
            id="unknown commands",
        ),
        pytest.param(
            b"^XA^PW80^LL80" + b"^FO900,900^FDa^FS" * 600 + b"^XZ", id="findings about texts"
        ),
        pytest.param(_bomb(2), id="packed images"),
        pytest.param(b"^XA^DFA^FS" + b"^XFA^FS" * 50 + b"^XZ^XA^XFA^FS^XZ", id="recalls"),
    ],
)
def test_each_limit_refuses_the_whole_stream(stream: bytes) -> None:
    """Beyond a limit nothing of the stream may print, and it says so."""
    found = inspect(stream, LabelLanguage.ZPL)
    assert FindingCode.TOO_LARGE in codes(found)
    assert (0, False) == (len(found.labels), found.may_print)


@pytest.mark.timeout(20)
@pytest.mark.parametrize("language", list(LabelLanguage))
@pytest.mark.parametrize(
    "stream",
    [
        pytest.param(b"\r\n \n" * 500_000, id="blank lines"),
        pytest.param(b"~ 1" * 660_000, id="tildes"),
        pytest.param(b"A" * 1_990_000, id="one long line"),
        pytest.param(b"^XA^GFA,4000000,4000000,125," + b"G0H1" * 490_000, id="repeat letters"),
        pytest.param(b"^XA^GFA,4000000,4000000,125," + b":" * 1_990_000, id="row repeats"),
        pytest.param(b"^CC~~CC^" * 240_000, id="prefix changes"),
        pytest.param(_bomb(1), id="packed image"),
    ],
)
def test_work_stays_in_proportion_to_the_stream(stream: bytes, language: LabelLanguage) -> None:
    """None of these makes the reader hang: each once took or could take quadratic time."""
    inspect(stream, language).model_dump_json()
