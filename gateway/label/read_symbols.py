"""From a bar code's data to its modules, sized in dots the way a printer draws it.

Patterns other than Code 128 come from the symbol library; the printer's own module width and
wide to narrow ratio are laid over them here.
"""

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import groupby
from types import MappingProxyType

import numpy as np
import zxingcpp

from gateway.label import code128, gs1, symbols
from gateway.label.errors import DataRefused
from gateway.label.gs1_checks import check_digit
from gateway.label.marks import Symbol
from gateway.label.symbols import DATAMATRIX_SIZES, Symbology
from schemas.inspection import FindingCode as Code
from schemas.inspection import Severity

Trouble = tuple[Code, Severity, str]
Option = str | int | bool
_NO_OPTIONS: Mapping[str, Option] = MappingProxyType({})
GS = "\x1d"
MAX_LINEAR = 256
"""Characters of a linear symbol; beyond it no head is wide enough, whatever the module."""

MAXICODE_EMPTY = (
    "a MaxiCode stands here as an empty box of its size: its data is told, its dots are not drawn"
)

_FORMATS = {
    "code93": zxingcpp.BarcodeFormat.Code93,
    "codabar": zxingcpp.BarcodeFormat.Codabar,
    "upc-e": zxingcpp.BarcodeFormat.UPCE,
    "datamatrix": zxingcpp.BarcodeFormat.DataMatrix,
    "gs1-datamatrix": zxingcpp.BarcodeFormat.DataMatrix,
    "qr": zxingcpp.BarcodeFormat.QRCode,
    "pdf417": zxingcpp.BarcodeFormat.PDF417,
    "aztec": zxingcpp.BarcodeFormat.Aztec,
}
_WRITTEN = frozenset(symbology.value for symbology in Symbology)
_TWO_WIDTHS = frozenset({"code39", "codabar", "itf"})
"""Symbologies with wide and narrow elements only, so that the ratio of ^BY applies."""


def error(code: Code, text: str) -> Trouble:
    """A trouble that keeps the label from printing."""
    return (code, Severity.ERROR, text)


def warning(code: Code, text: str) -> Trouble:
    """A trouble that a person should know of."""
    return (code, Severity.WARNING, text)


def code_128(
    values: tuple[int, ...], data: str, module: int, height: int, troubles: Sequence[Trouble] = ()
) -> Symbol:
    """Code 128 from its symbol values, start to last data value, without check and stop."""
    whole = (*values, code128.check_value(values), code128.STOP)
    is_gs1 = len(values) > 1 and values[1] == code128.FNC1_VALUE
    runs = tuple(width * module for width in code128.widths(whole))
    return Symbol(
        "gs1-128" if is_gs1 else "code128",
        data,
        module,
        sum(runs),
        height,
        gs1=is_gs1,
        runs=runs,
        troubles=tuple(troubles),
    )


def code_128_text(text: str, module: int, height: int, troubles: Sequence[Trouble] = ()) -> Symbol:
    """Code 128 whose code sets the printer chooses; `code128.FNC1` stands for FNC1 in `text`."""
    data = text.removeprefix(code128.FNC1).replace(code128.FNC1, GS)
    if len(text) > MAX_LINEAR:
        return unread("code128", data, module, height, "too long for any label")
    try:
        return code_128(code128.encode(text)[:-2], data, module, height, troubles)
    except DataRefused as refused:
        return unread("code128", data, module, height, str(refused))


def unread(symbology: str, data: str, module: int, height: int, why: str) -> Symbol:
    """A bar code that no pattern can be made for: no size, and a finding that says so."""
    trouble = error(Code.SYMBOL_DATA, f"the printer can't encode this as {symbology}: {why}")
    return Symbol(symbology, data, module, 0, height, troubles=(trouble,))


def linear(
    symbology: str,
    data: str,
    module: int,
    height: int,
    *,
    ratio: float = 3.0,
    scanned: str | None = None,
    troubles: Sequence[Trouble] = (),
) -> Symbol:
    """A linear symbol other than Code 128. `scanned` where a scanner reports something else."""
    told = data if scanned is None else scanned
    if not data or len(data) > MAX_LINEAR:
        return unread(symbology, told, module, height, "no data" if not data else "too long")
    try:
        pattern = _runs(symbology, data)
    except (ValueError, DataRefused) as refused:
        return unread(symbology, told, module, height, _short(refused))
    if symbology in _TWO_WIDTHS:
        wide = round(module * ratio)
        runs = tuple(module if run == 1 else wide for run in pattern)
    else:
        runs = tuple(run * module for run in pattern)
    return Symbol(
        symbology, told, module, sum(runs), height, runs=runs, ratio=ratio, troubles=tuple(troubles)
    )


def matrix(
    symbology: str,
    data: str,
    module: int,
    *,
    module_down: int = 0,
    is_gs1: bool = False,
    raw: bytes | None = None,
    troubles: Sequence[Trouble] = (),
    options: Mapping[str, Option] = _NO_OPTIONS,
) -> Symbol:
    """A two-dimensional symbol. `raw` where the bytes in it are not `data` in Latin-1 or UTF-8."""
    try:
        columns, rows = _rows(
            symbology, data if raw is None else raw, is_gs1, tuple(options.items())
        )
    except (ValueError, DataRefused) as refused:
        return unread(symbology, data, module, 0, _short(refused))
    down = module_down or module
    return Symbol(
        symbology,
        data,
        module,
        columns * module,
        len(rows) * down,
        gs1=is_gs1,
        rows=rows,
        columns=columns,
        module_down=down,
        troubles=tuple(troubles),
    )


def _short(refused: Exception) -> str:
    return str(refused).splitlines()[0][:120] if str(refused) else "refused"


@lru_cache(maxsize=512)
def _runs(symbology: str, data: str) -> tuple[int, ...]:
    """Widths in modules; of the two-width symbologies any width above 1 means wide."""
    if symbology in _WRITTEN:
        return symbols.encode(Symbology(symbology), data).widths
    row = _pixels(symbology, data, {})[0]
    return tuple(len(list(group)) for _, group in groupby(bool(value) for value in row))


@lru_cache(maxsize=512)
def _rows(
    symbology: str, data: str | bytes, is_gs1: bool, options: tuple[tuple[str, Option], ...]
) -> tuple[int, tuple[int, ...]]:
    settings = dict(options)
    content = data
    if is_gs1 and isinstance(data, str):
        try:
            content = "".join(f"[{ai}]{value}" for ai, value in gs1.split(data))
            settings["gs1"] = True
        except DataRefused:  # a printer encodes it all the same: right size, told as wrong
            content = GS + data
    pixels = _pixels(symbology, content, settings)
    if symbology == "pdf417":  # the library draws each row three modules high
        pixels = pixels[::3]
    packed = np.packbits(pixels, axis=1)
    spare = -pixels.shape[1] % 8
    rows = tuple(int.from_bytes(row.tobytes()) >> spare for row in packed)
    return pixels.shape[1], rows


def _pixels(
    symbology: str, content: str | bytes, settings: dict[str, Option]
) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    made = zxingcpp.create_barcode(content, _FORMATS[symbology], **settings)
    image = made.to_image(scale=1, add_quiet_zones=False)
    dark: np.ndarray[tuple[int, int], np.dtype[np.bool_]] = np.asarray(image) == 0
    return dark


def retail(symbology: str, digits: str, length: int, module: int, height: int) -> Symbol:
    """EAN and UPC: the printer takes `length` - 1 digits and adds the check digit itself.

    Digits beyond are dropped and missing ones filled up with zeros on the left, as the printer
    languages document; both are reported.
    """
    troubles: list[Trouble] = []
    if not (digits.isascii() and digits.isdigit()):
        return unread(symbology, digits, module, height, "only digits can be encoded")
    if len(digits) == length and check_digit(digits[:-1]) != digits[-1]:
        right = check_digit(digits[:-1])
        text = f"{digits}: the check digit should be {right}; the printer would print {right}"
        troubles.append(error(Code.CHECK_DIGIT_WRONG, text))
    elif len(digits) not in {length, length - 1}:
        text = f"{symbology} takes {length - 1} digits, the field has {len(digits)}"
        troubles.append(error(Code.SYMBOL_DATA, text))
    body = digits[: length - 1].rjust(length - 1, "0")
    whole = body + check_digit(body)
    scanned = "0" + whole if symbology == Symbology.UPCA else whole
    return linear(symbology, whole, module, height, scanned=scanned, troubles=troubles)


def upc_e(digits: str, module: int, height: int) -> Symbol:
    """UPC-E from number system and six digits, or from the eleven of the UPC-A behind them.

    The printer adds the check digit, or replaces a stated one. A scanner reports the GTIN-13.
    """
    troubles: list[Trouble] = []
    if not (digits.isascii() and digits.isdigit()):
        return unread("upc-e", digits, module, height, "only digits can be encoded")
    short = "0" + digits if len(digits) == 6 else digits
    body = _expanded(short[:7]) if len(short) in {7, 8} else short[:11]
    packed = _compressed(body)
    if packed is None:
        why = f"{digits} is no UPC-A with the zeros that the short form leaves out"
        return unread("upc-e", digits, module, height, why)
    right = check_digit(body)
    if len(short) in {8, 12} and short[-1] != right:
        text = f"{digits}: the check digit should be {right}; the printer would print {right}"
        troubles.append(error(Code.CHECK_DIGIT_WRONG, text))
    whole = "0" + body + right
    return linear("upc-e", packed + right, module, height, scanned=whole, troubles=troubles)


def _expanded(short: str) -> str:
    """Eleven digits of UPC-A from number system and six. Source: GS1 General Specifications 5.2.2.4
    (zero suppression), from memory.
    """
    system, d, last = short[0], short[1:7], short[6]
    if last in "012":
        return f"{system}{d[:2]}{last}0000{d[2:5]}"
    if last == "3":
        return f"{system}{d[:3]}00000{d[3:5]}"
    if last == "4":
        return f"{system}{d[:4]}00000{d[4]}"
    return f"{system}{d[:5]}0000{last}"


def _compressed(body: str) -> str | None:
    """Number system and six digits, or None where the zeros are not there."""
    if len(body) != 11 or body[0] not in "01":
        return None
    candidates = (
        body[:3] + body[8:] + body[3],
        body[:4] + body[9:] + "3",
        body[:5] + body[10] + "4",
        body[:6] + body[10],
    )
    return next((short for short in candidates if _expanded(short) == body), None)


def square_version(side: int) -> int:
    """Number of the square Data Matrix with this many modules along its side; 0 if none has."""
    return DATAMATRIX_SIZES.index(side) + 1 if side in DATAMATRIX_SIZES else 0


def qr(
    data: str,
    module: int,
    level: str,
    *,
    raw: bytes | None = None,
    troubles: Sequence[Trouble] = (),
) -> Symbol:
    """QR at the size that one mode for all of the data needs.

    A printer may change modes on the way and save a version, never need one more: the larger size
    is the safe one to check the label's edges and quiet zones with.
    """
    options: dict[str, Option] = {"ec_level": level}
    content = raw if raw is not None else data
    if not _ONE_MODE.fullmatch(data):
        try:
            columns, _ = _rows("qr", "a" * len(content), False, (("ec_level", level),))
        except ValueError as refused:
            return unread("qr", data, module, 0, _short(refused))
        options["version"] = (columns - 17) // 4
    return matrix("qr", data, module, raw=raw, troubles=troubles, options=options)


_ONE_MODE = re.compile(r"[0-9]+|[0-9A-Z $%*+\-./:]+")
"""Digits only, or the alphanumeric set of ISO/IEC 18004."""
