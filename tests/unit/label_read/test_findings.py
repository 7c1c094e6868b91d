"""Trouble that is found before a supplied label prints."""

from functools import partial

import pytest

from gateway.label.inspect import inspect
from label_read.given import VECTORS, codes, errors, zpl
from schemas.inspection import FindingCode, Inspection, Severity, SizeFrom
from schemas.order import LabelLanguage
from schemas.station import Printer

HEAD_300 = Printer(dots_per_mm=11.811)
# GS1 General Specifications Figure 5.4.2-1: SSCC 395123451234567895
SSCC = b">;>800395123451234567895"
CODE = b"^BY4,3,254^FO%d,%d^BCN,254,N,N,N^FD" + SSCC + b"^FS"


def scans(found: Inspection) -> tuple[str, ...]:
    """What verification will ask for."""
    return found.expected_scans


def test_well_made_label_has_no_error_and_tells_its_codes() -> None:
    """An invented carrier's label of the usual make passes; its route code proves nothing."""
    stream = (VECTORS / "carrier-4x6.zpl").read_bytes()
    found = inspect(stream, LabelLanguage.ZPL, printer=Printer())
    assert [] == errors(found)
    assert ("00395123451234567895", "010952123454321310LOT7\x1d21A5") == scans(found)
    assert {"00395123451234567895": True, "42045458": False} == {
        s.data: s.identifies for s in found.labels[0].symbols if s.symbology == "gs1-128"
    }


def test_label_size_is_the_one_that_the_stream_states() -> None:
    """812 x 1218 dots at 8 a mm: the trade's 4 x 6 in."""
    label = zpl(b"^FO1,1^FDx^FS").labels[0]
    assert (101.5, 152.25, SizeFrom.STREAM) == (label.width_mm, label.height_mm, label.size_from)


def test_label_without_size_takes_the_loaded_stock() -> None:
    """A stream that states no size is judged by the printer's stock."""
    label = inspect(b"^XA^FO1,1^FDx^FS^XZ", LabelLanguage.ZPL, printer=Printer()).labels[0]
    assert (101.625, 152.375, SizeFrom.PRINTER) == (
        label.width_mm,
        label.height_mm,
        label.size_from,
    )


@pytest.mark.parametrize(
    ("x", "y", "code"),
    [
        (300, 300, FindingCode.CUT),
        (100, 1000, FindingCode.CUT),
        (900, 300, FindingCode.OFF_LABEL),
        (100, 1300, FindingCode.OFF_LABEL),
    ],
)
def test_symbol_beyond_the_edge_is_an_error(x: int, y: int, code: FindingCode) -> None:
    """A code that can't be printed whole can't be read."""
    found = zpl(CODE % (x, y), printer=Printer())
    assert code in codes(found)
    assert not found.may_print


def test_a6_label_reaches_beyond_a_104_mm_head() -> None:
    """A6 is 840 dots wide at 8 dots a mm, eight more than a 104 mm head has."""
    a6 = Printer(label_width_mm=105.0, label_height_mm=148.0)
    assert FindingCode.HEAD_TOO_NARROW in codes(
        zpl(b"^FO1,1^FDx^FS", printer=a6, start=b"^PW840^LL1184")
    )


def test_larger_label_than_the_stock_is_an_error() -> None:
    """A 4 x 8 in label on 4 x 6 in stock runs over the gap."""
    found = zpl(CODE % (90, 300), printer=Printer(), start=b"^PW812^LL1624")
    assert FindingCode.SIZE_MISMATCH in codes(found)
    assert not found.may_print


def test_close_sizes_pass_for_one_another() -> None:
    """Sites print 100 x 150 mm labels on 4 x 6 in stock and the other way round."""
    found = zpl(CODE % (90, 300), printer=Printer(), start=b"^PW800^LL1200")
    assert FindingCode.SIZE_MISMATCH not in codes(found)


@pytest.mark.parametrize(
    ("printer", "start"),
    [(Printer(), b"^PW1200^LL1800"), (HEAD_300, b"^PW812^LL1218"), (Printer(), b"^PW2400^LL3600")],
)
def test_label_for_another_head_is_told_by_its_size(printer: Printer, start: bytes) -> None:
    """A size that suits the stock at another resolution only was made for another printer."""
    assert FindingCode.DPI_MISMATCH in codes(zpl(b"^FO1,1^FDx^FS", printer=printer, start=start))


def test_stated_resolution_is_held_against_the_head() -> None:
    """203 against 300 dpi is an error; 12 a mm against 11.811 drifts 2.4 mm and is a warning."""
    look = partial(inspect, b"^XA^PW1200^LL1800^FO1,1^FDx^FS^XZ", LabelLanguage.ZPL)
    far = look(dots_per_mm=8.0, printer=HEAD_300)
    near = look(dots_per_mm=12.0, printer=HEAD_300)
    assert not far.may_print
    drift = [f for f in near.findings if f.code is FindingCode.DPI_MISMATCH]
    assert [Severity.WARNING] == [f.severity for f in drift]
    assert "2.4 mm" in drift[0].message


def test_resolution_is_guessed_from_a_common_size() -> None:
    """1200 x 1800 dots are 4 x 6 in at 11.811 dots a mm."""
    found = inspect(b"^XA^PW1200^LL1800^FO1,1^FDx^FS^XZ", LabelLanguage.ZPL)
    assert (11.811, SizeFrom.GUESS) == (found.dots_per_mm, found.dots_per_mm_from)


@pytest.mark.parametrize(
    ("field", "code"),
    [
        # GS1 General Specifications 7.9.1: 376104250021234569 is right, so ...68 is wrong
        (b"^BCN,200,N,N,N^FD>;>800376104250021234568", FindingCode.CHECK_DIGIT_WRONG),
        (b"^BCN,200,N,N,N,D^FD(00)376104250021234568", FindingCode.CHECK_DIGIT_WRONG),
        (b"^BCN,200,N,N,N,U^FD00376104250021234568", FindingCode.CHECK_DIGIT_WRONG),
        (b"^BCN,200,N,N,N^FD>:>8AB12", FindingCode.GS1_STRUCTURE),
        (b"^BCN,200,N,N,N^FD>:>80037610425002123456", FindingCode.CHECK_DIGIT_MISSING),
        (b"^BCN,200,N,N,N,U^FD0037610425", FindingCode.SYMBOL_DATA),
        (b"^BXN,6,200,,,,_^FD_10109501101530004", FindingCode.CHECK_DIGIT_WRONG),
        (b"^BEN,100,N^FD9501101531001", FindingCode.CHECK_DIGIT_WRONG),
        (b"^BEN,100,N^FD95011", FindingCode.SYMBOL_DATA),
        (b"^B2N,100,N,N,N^FD15400141288764", FindingCode.CHECK_DIGIT_WRONG),
        # UPU S10: RR473124829IL is the much printed example, its check digit is 9 (from memory)
        (b"^BCN,200,N,N,N^FD>:RR473124828IL", FindingCode.CHECK_DIGIT_WRONG),
        (b"^BQN,2,6^FDQA,https://id.example/00/106141412345678909", FindingCode.CHECK_DIGIT_WRONG),
        (b"^BCN,200,N,N,N^FD>;00376104250021234569", FindingCode.GS1_STRUCTURE),
        (b"^BCN,200,N,N,N,D^FD(10)AB-123(21)S9", FindingCode.GS1_STRUCTURE),
        (b"^BCN,200,N,N,N^FD>;123", FindingCode.SYMBOL_DATA),
        (b"^BXN,6^FDold", FindingCode.SYMBOL_DATA),
        (b"^BQN,2,6^FDno switches", FindingCode.SYMBOL_DATA),
        (b"^B3N,N,100,N,N^FDb\xc3\xa9", FindingCode.SYMBOL_DATA),
    ],
)
def test_wrong_data_in_a_code_is_found(field: bytes, code: FindingCode) -> None:
    """Check digits, structure and what the printer would silently change are told beforehand."""
    assert code in codes(zpl(b"^BY2,3,100^FO60,300" + field + b"^FS"))


@pytest.mark.parametrize(
    "field",
    [
        b"^BCN,200,N,N,N^FD>;>800376104250021234569",
        b"^BCN,200,N,N,N,D^FD(00)37610425002123456",
        b"^BCN,200,N,N,N,U^FD0037610425002123456",
        b"^BCN,200,N,N,N,A^FD>;>8004017773003486>8",
        b"^BCN,200,N,N,N^FD>:RR473124829IL",
        b"^BEN,100,N^FD950110153100",
        b"^BEN,100,N^FD9501101531000",
        b"^B2N,100,N,N,N^FD15400141288763",
        b"^BQN,2,6^FDQA,https://id.example/00/106141412345678908",
    ],
)
def test_right_data_in_a_code_is_not_accused(field: bytes) -> None:
    """Published right examples (GS1 General Specifications, UPU S10) carry no data finding."""
    found = codes(zpl(b"^BY2,3,100^FO60,300" + field + b"^FS"))
    wrong = {
        FindingCode.CHECK_DIGIT_WRONG,
        FindingCode.CHECK_DIGIT_MISSING,
        FindingCode.SYMBOL_DATA,
    }
    assert set() == found & wrong


def test_thin_modules_are_found() -> None:
    """One dot at 8 a mm is 0.125 mm: unreadable; three are too thin for an SSCC (GS1 0.495 mm)."""
    thin = zpl(b"^BY1^FO60,300^BCN,200,N,N,N^FD>:ABC^FS")
    narrow = zpl(b"^BY3^FO60,300^BCN,254,N,N,N^FD" + SSCC + b"^FS")
    right = zpl(CODE % (94, 300))
    assert (False, True) == (thin.may_print, FindingCode.MODULE_TOO_THIN in codes(thin))
    assert FindingCode.MODULE_TOO_THIN in codes(narrow)
    assert FindingCode.MODULE_TOO_THIN not in codes(right)


def test_small_quiet_zones_are_found() -> None:
    """Ten modules each side (GS1 General Specifications 5.4.4.2), to the edge and to a line."""
    clear = zpl(CODE % (94, 300))
    at_edge = zpl(CODE % (30, 300))
    by_line = zpl(CODE % (94, 300) + b"^FO70,200^GB3,600,3^FS")
    by_frame = zpl(CODE % (94, 300) + b"^FO20,20^GB772,1178,3^FS")
    assert FindingCode.QUIET_ZONE not in codes(clear) | codes(by_frame)
    assert FindingCode.QUIET_ZONE in codes(at_edge) & codes(by_line)


def test_line_through_a_code_is_an_error() -> None:
    """A bar that crosses the bars makes the code unreadable."""
    found = zpl(CODE % (94, 300) + b"^FO400,200^GB3,600,3^FS")
    assert FindingCode.OVERPRINTED in codes(found)
    assert not found.may_print


def test_code_of_another_open_order_is_an_error() -> None:
    """The same SSCC on two open orders is two parcels that nobody can tell apart."""
    stream = (VECTORS / "carrier-4x6.zpl").read_bytes()
    taken = inspect(stream, LabelLanguage.ZPL, known_codes=frozenset({"00395123451234567895"}))
    asked = inspect(stream, LabelLanguage.ZPL, known_codes=lambda code: code.startswith("00"))
    shared = inspect(stream, LabelLanguage.ZPL, known_codes=frozenset({"42045458"}))
    assert FindingCode.CODE_IN_USE in codes(taken) & codes(asked)
    assert FindingCode.CODE_IN_USE not in codes(shared)


def test_label_without_a_code_expects_no_scan() -> None:
    """Verification has nothing to read on such a label, and is told so by an empty list."""
    assert () == zpl(b"^FO1,1^FDx^FS").expected_scans


def test_printer_of_the_other_language_is_an_error() -> None:
    """A ZPL label on an EPL printer prints its own commands as text."""
    printer = Printer(language=LabelLanguage.EPL)
    assert FindingCode.LANGUAGE_MISMATCH in codes(zpl(CODE % (94, 300), printer=printer))


def test_reversed_code_on_black_is_told() -> None:
    """White bars on black: few scanners read them."""
    black = b"^FO20,250^GB772,400,400^FS^FR"
    assert FindingCode.INVERSE in codes(zpl(black + CODE % (94, 300)))


def test_bar_code_that_is_not_read_here_is_told_and_not_expected() -> None:
    """A postal bar code does not stop a label; nobody is asked to scan it."""
    found = zpl(CODE % (94, 300) + b"^FO94,700^BZN,40,N,N^FD12345^FS", printer=Printer())
    assert FindingCode.NOT_DRAWN in codes(found)
    assert (True, ("00395123451234567895",)) == (found.may_print, found.expected_scans)


def test_maxicode_is_expected_as_a_scanner_reports_it() -> None:
    """ISO/IEC 16023: postcode, country and class follow the header, whatever their order was."""
    field = b"^FO94,700^BD2^FH^FD002840152382802[)>_1E01_1D967Q00004951_1DDYKE_1E_04^FS"
    symbol = zpl(field).labels[0].symbols[0]
    assert "[)>\x1e01\x1d96152382802\x1d840\x1d002\x1d7Q00004951\x1dDYKE\x1e\x04" == symbol.data


def test_text_that_runs_over_the_edge_is_told() -> None:
    """A receiver's name that is cut on the print is a parcel that goes astray."""
    long = b"^FO500,40^A0N,60,60^FDAnnabel Featherstonehaugh-Ortega^FS"
    turned = b"^FO40,900^A0R,60,60^FDAnnabel Featherstonehaugh-Ortega^FS"
    short = b"^FO40,40^A0N,30,30^FDAnnabel Featherstonehaugh-Ortega^FS"
    assert FindingCode.CUT in codes(zpl(long)) & codes(zpl(turned))
    assert FindingCode.CUT not in codes(zpl(short))


def test_block_with_too_few_lines_is_told() -> None:
    """The printer prints what is left over the last line (guide): nobody can read that."""
    block = b"^FO40,40^A0N,30,30^FB200,%d,0,L^FDtwelve heron street floodgate lower dyke^FS"
    assert FindingCode.OVERPRINTED in codes(zpl(block % 1))
    assert FindingCode.OVERPRINTED not in codes(zpl(block % 4))


def test_sscc_at_the_largest_module_is_too_long() -> None:
    """156 + 20 modules of 0.940 mm are 165.44 mm, above the 165.10 mm that GS1 allows (5.4.4.3)."""
    body = b"^XA^PW1700^LL1218^BY%d,3,300^FO100,100^BCN,300,N,N,N^FD" + SSCC + b"^FS^XZ"
    wide = inspect(body % 8, LabelLanguage.ZPL, dots_per_mm=8.51)
    right = inspect(body % 7, LabelLanguage.ZPL, dots_per_mm=8.51)
    assert FindingCode.SYMBOL_TOO_LONG in codes(wide)
    assert FindingCode.SYMBOL_TOO_LONG not in codes(right)


def test_text_close_above_a_code_is_not_in_its_way() -> None:
    """The lower quarter of a type's cell is blank below capitals: tight layouts are no fault."""
    above = b"^FO94,268^A0N,40,40^FDDYKE 45458 TIDEWATER^FS"
    through = b"^FO94,320^A0N,40,40^FDDYKE 45458 TIDEWATER^FS"
    assert FindingCode.OVERPRINTED not in codes(zpl(CODE % (94, 300) + above))
    assert FindingCode.OVERPRINTED in codes(zpl(CODE % (94, 300) + through))
