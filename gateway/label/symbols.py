"""Bar code symbols as modules: what is printed, how wide it is, what a scanner reports.

Code 128 is encoded here; the other symbologies come from zxing-cpp's writer. Nothing here knows
about dots: one module is one unit.

QR, PDF417 and the EAN family are sent as dots, not by the printer's own commands: those leave the
version, the rows or the bars below the figures to the printer, so the label could differ from the
one that was checked. Code 128, Code 39, ITF and Data Matrix are fixed by what is sent and go by
command.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np
import zxingcpp

from gateway.label import code128, gs1
from gateway.label.errors import DataRefused
from gateway.label.gs1_checks import check_digit


class Symbology(StrEnum):
    """Symbologies that labels carry."""

    CODE128 = "code128"
    GS1_128 = "gs1-128"
    CODE39 = "code39"
    ITF = "itf"
    ITF14 = "itf-14"
    EAN13 = "ean-13"
    EAN8 = "ean-8"
    UPCA = "upc-a"
    DATAMATRIX = "datamatrix"
    GS1_DATAMATRIX = "gs1-datamatrix"
    QR = "qr"
    GS1_QR = "gs1-qr"
    PDF417 = "pdf417"


GS1_KINDS = frozenset({Symbology.GS1_128, Symbology.GS1_DATAMATRIX, Symbology.GS1_QR})
MATRIX_KINDS = frozenset(
    {
        Symbology.DATAMATRIX,
        Symbology.GS1_DATAMATRIX,
        Symbology.QR,
        Symbology.GS1_QR,
        Symbology.PDF417,
    }
)

QUIET_MODULES: Mapping[Symbology, tuple[int, int]] = MappingProxyType(
    {
        Symbology.CODE128: (10, 0),
        Symbology.GS1_128: (10, 0),
        Symbology.CODE39: (10, 0),
        Symbology.ITF: (10, 0),
        Symbology.ITF14: (10, 0),
        Symbology.EAN13: (11, 0),
        Symbology.EAN8: (7, 0),
        Symbology.UPCA: (9, 0),
        Symbology.DATAMATRIX: (1, 1),
        Symbology.GS1_DATAMATRIX: (1, 1),
        Symbology.QR: (4, 4),
        Symbology.GS1_QR: (4, 4),
        Symbology.PDF417: (2, 2),
    }
)
"""Quiet zone in modules: left and right, above and below. EAN-13: the wider side on both.

Source: Code 128 10 X, GS1 General Specifications 5.4.4.2; Data Matrix 1 X, ISO/IEC 16022; QR 4 X,
PDF417 2 X, EAN-13 11 X, EAN-8 7 X and UPC-A 9 X from memory.
"""


@dataclass(frozen=True, slots=True)
class Symbol:
    """One symbol, without quiet zones.

    A linear symbol has `widths`: bar, space, bar ... in modules, and one row. A matrix symbol has
    empty `widths` and `rows`: one integer a row, the leftmost module in the highest bit. PDF417's
    rows are three modules high, already repeated here.
    """

    symbology: Symbology
    data: str
    """What a scanner reports: without AIM identifier, GS1 separators as 0x1D, checks included."""
    columns: int
    rows: tuple[int, ...]
    widths: tuple[int, ...] = ()
    values: tuple[int, ...] = ()
    """Code 128: the symbol values from start to stop."""

    @property
    def is_linear(self) -> bool:
        """Whether its height is free."""
        return bool(self.widths)

    @property
    def quiet(self) -> tuple[int, int]:
        """Quiet zone in modules: each side, above and below."""
        return QUIET_MODULES[self.symbology]


class Extent(NamedTuple):
    """Size in modules without quiet zones, and what a scanner reports. Linear: one row."""

    symbology: Symbology
    columns: int
    rows: int
    scan: str

    @property
    def is_linear(self) -> bool:
        """Whether its height is free."""
        return self.symbology not in MATRIX_KINDS


@dataclass(frozen=True, slots=True)
class Spec:
    """A symbol to be: the arguments of `encode`."""

    symbology: Symbology
    data: str
    level: str = ""
    size: int = 0
    columns: int = 0

    def symbol(self) -> Symbol:
        """The symbol itself. Raises `DataRefused`."""
        return encode(
            self.symbology, self.data, level=self.level, size=self.size, columns=self.columns
        )

    def extent(self) -> Extent:
        """How large it is, found without drawing it where that can be. Raises `DataRefused`."""
        if self.symbology in (Symbology.CODE128, Symbology.GS1_128):
            values = code128.encode(code128_text(self.symbology, self.data))
            return Extent(self.symbology, 11 * len(values) + 2, 1, self.data)
        if self.size and self.symbology in (Symbology.DATAMATRIX, Symbology.GS1_DATAMATRIX):
            return Extent(self.symbology, self.size, self.size, self.data)
        symbol = self.symbol()
        return Extent(self.symbology, symbol.columns, len(symbol.rows), symbol.data)


@lru_cache(maxsize=2048)
def encode(
    symbology: Symbology,
    data: str,
    *,
    level: str = "",
    size: int = 0,
    mask: int | None = None,
    columns: int = 0,
) -> Symbol:
    """Encode `data`; for the GS1 kinds it is a message of `gs1.message`.

    `level`: error correction, L M Q H for QR, 0 to 8 for PDF417. `size`: modules along the side
    of a Data Matrix or QR, 0 for the smallest. `columns`: data columns of PDF417.
    Raises `DataRefused` where the symbology can't hold the data.
    """
    if symbology in (Symbology.CODE128, Symbology.GS1_128):
        return _code128(symbology, data)
    if symbology in _LINEAR:
        return _linear(symbology, data)
    if symbology is Symbology.PDF417:
        return _matrix(symbology, data, {"ec_level": level or "2"} | _some(columns=columns))
    if symbology in (Symbology.QR, Symbology.GS1_QR):
        version = (size - 17) // 4 if size else 0
        options = {"ec_level": level or "M"} | _some(version=version)
        return _matrix(symbology, data, options | ({} if mask is None else {"data_mask": mask}))
    version = DATAMATRIX_SIZES.index(size) + 1 if size else 0
    return _matrix(symbology, data, {"force_square": True} | _some(version=version))


DATAMATRIX_SIZES = (
    *(10, 12, 14, 16, 18, 20, 22, 24, 26, 32, 36, 40, 44, 48, 52),
    *(64, 72, 80, 88, 96, 104, 120, 132, 144),
)
"""Sides of the square ECC 200 symbols. Source: ISO/IEC 16022."""
DATAMATRIX_CODEWORDS = (
    *(3, 5, 8, 12, 18, 22, 30, 36, 44, 62, 86, 114, 144, 174, 204),
    *(280, 368, 456, 576, 696, 816, 1050, 1304, 1558),
)
"""Data codewords of each of `DATAMATRIX_SIZES`. Source: ISO/IEC 16022."""


def datamatrix_size(data: str, *, is_gs1: bool) -> int:
    """Side in modules that holds ASCII `data` in plain encodation, the way any printer can.

    A printer may encode more cleverly, never less so: this size always suffices.
    Raises `DataRefused` where no size does.
    """
    words = len(data) - len(_DIGIT_PAIR.findall(data)) + is_gs1
    for side, room in zip(DATAMATRIX_SIZES, DATAMATRIX_CODEWORDS, strict=True):
        if words <= room:
            return side
    raise DataRefused("Data Matrix", f"{words} codewords are more than the largest symbol holds")


_DIGIT_PAIR = re.compile("[0-9][0-9]")


def _some(**options: int) -> dict[str, Any]:
    return {name: value for name, value in options.items() if value}


def code128_text(symbology: Symbology, data: str) -> str:
    """Data as `code128.encode` takes it: for GS1-128 with its leading FNC1. At most 48 characters.

    Source of the limit: GS1 General Specifications 5.4.4.3.
    """
    if symbology is not Symbology.GS1_128:
        return data
    if len(data) > 48:
        raise DataRefused("GS1-128", f"{len(data)} characters, at most 48 are allowed")
    return code128.FNC1 + data.replace(gs1.GS, code128.FNC1)


def _code128(symbology: Symbology, data: str) -> Symbol:
    values = code128.encode(code128_text(symbology, data))
    widths = code128.widths(values)
    return Symbol(symbology, data, sum(widths), (_bits(widths),), widths, values)


def _bits(widths: tuple[int, ...]) -> int:
    bits = 0
    for index, width in enumerate(widths):
        bits = bits << width | (0 if index % 2 else (1 << width) - 1)
    return bits


def _digits(*lengths: int) -> Callable[[str], str]:
    wanted = " or ".join(map(str, lengths))

    def refusal(data: str) -> str:
        ok = data.isascii() and data.isdigit() and len(data) in lengths
        return "" if ok else f"takes {wanted} digits, not {data!r}"

    return refusal


def _code39_refusal(data: str) -> str:
    ok = re.fullmatch(r"[0-9A-Z .$/+%-]+", data)
    return "" if ok else f"takes digits, capitals and -. $/+%, not {data!r}"


def _itf_refusal(data: str) -> str:
    ok = re.fullmatch(r"(?:[0-9]{2})+", data)
    return "" if ok else f"takes an even number of digits, not {data!r}"


_LINEAR: dict[Symbology, tuple[zxingcpp.BarcodeFormat, Callable[[str], str]]] = {
    Symbology.CODE39: (zxingcpp.BarcodeFormat.Code39, _code39_refusal),
    Symbology.ITF: (zxingcpp.BarcodeFormat.ITF, _itf_refusal),
    Symbology.ITF14: (zxingcpp.BarcodeFormat.ITF, _digits(13, 14)),
    Symbology.EAN13: (zxingcpp.BarcodeFormat.EAN13, _digits(12, 13)),
    Symbology.EAN8: (zxingcpp.BarcodeFormat.EAN8, _digits(7, 8)),
    Symbology.UPCA: (zxingcpp.BarcodeFormat.UPCA, _digits(11, 12)),
}
_CHECKED = {Symbology.ITF14: 14, Symbology.EAN13: 13, Symbology.EAN8: 8, Symbology.UPCA: 12}


def _linear(symbology: Symbology, data: str) -> Symbol:
    fmt, refusal = _LINEAR[symbology]
    if problem := refusal(data):
        raise DataRefused(symbology.value, problem)
    full = _with_check(symbology, data)
    row = _modules(symbology, full, fmt, {})[0]
    edges = np.flatnonzero(np.diff(row)) + 1
    widths = tuple(int(w) for w in np.diff([0, *edges, len(row)]))
    if symbology is Symbology.CODE39:  # wide to narrow 3 to 1, which every scanner takes
        widths = tuple(3 if w > 1 else 1 for w in widths)
    # a UPC-A is reported as the GTIN-13 that it is. Source: ISO/IEC 15424, from memory
    scanned = "0" + full if symbology is Symbology.UPCA else full
    return Symbol(symbology, scanned, sum(widths), (_bits(widths),), widths)


def _with_check(symbology: Symbology, data: str) -> str:
    length = _CHECKED.get(symbology)
    if length is None:
        return data
    right = check_digit(data[: length - 1])
    if len(data) == length and data[-1] != right:
        raise DataRefused(symbology.value, f"{data}: check digit should be {right}")
    return data[: length - 1] + right


_FORMATS = {
    Symbology.DATAMATRIX: zxingcpp.BarcodeFormat.DataMatrix,
    Symbology.GS1_DATAMATRIX: zxingcpp.BarcodeFormat.DataMatrix,
    Symbology.QR: zxingcpp.BarcodeFormat.QRCode,
    Symbology.GS1_QR: zxingcpp.BarcodeFormat.QRCode,
    Symbology.PDF417: zxingcpp.BarcodeFormat.PDF417,
}


def _matrix(symbology: Symbology, data: str, options: dict[str, Any]) -> Symbol:
    content = data
    if symbology in GS1_KINDS:
        # square brackets can't occur in GS1 data, round ones can and would start a new element
        content = "".join(f"[{ai}]{value}" for ai, value in gs1.split(data))
        options = options | {"gs1": True}
    if not data.isascii():  # without a stated encoding readers guess, and some guess Japanese
        options = options | {"eci": "UTF-8"}
    grid = _modules(symbology, content, _FORMATS[symbology], options)
    rows = tuple(int("".join("1" if m else "0" for m in line), 2) for line in grid)
    return Symbol(symbology, data, grid.shape[1], rows)


def _modules(
    symbology: Symbology, content: str, fmt: zxingcpp.BarcodeFormat, options: dict[str, Any]
) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    try:
        image = zxingcpp.create_barcode(content, fmt, **options).to_image(
            scale=1, add_quiet_zones=False
        )
    except ValueError as refused:
        raise DataRefused(symbology.value, str(refused)) from refused
    modules: np.ndarray[tuple[int, int], np.dtype[np.bool_]] = np.asarray(image) == 0
    return modules
