"""EPL bar code commands: type, sizes and data to a symbol.

Source: the printer language's command descriptions; types from memory where noted.
"""

import re

from gateway.label import code128, read_symbols
from gateway.label.gs1_checks import check_digit
from gateway.label.marks import Symbol
from gateway.label.read_symbols import Option, Trouble, error, warning
from schemas.inspection import FindingCode as Code

_SEPARATOR = "\x06"
"""Delimits variable-length fields in GS1-128 data: the printer encodes FNC1 for it."""
_RETAIL = {"E30": ("ean-13", 13), "E80": ("ean-8", 8), "UA0": ("upc-a", 12)}


def build_linear(  # noqa: C901 - one case for each type of bar code
    kind: str, text: str, narrow: int, wide: int, height: int
) -> Symbol | None:
    """The symbol of a B command, or None for a type that this reader does not know."""
    ratio = max(2.0, min(wide / narrow, 3.0))
    if kind in {"1", "1A", "1B"}:
        return read_symbols.code_128_text(text, narrow, height)
    if kind == "1C":
        return _pairs(text, narrow, height)
    if kind == "1E":
        return _gs1(text, narrow, height)
    if kind == "0":
        return _sscc_case(text, narrow, height)
    if kind in {"3", "3C"}:
        return read_symbols.linear(
            "code39", text + _mod_43(text, kind), narrow, height, ratio=ratio
        )
    if kind in {"2", "2C", "2D"}:
        return _itf(text, kind, narrow, height, ratio)
    if kind == "9":
        return read_symbols.linear("code93", text, narrow, height)
    if kind == "K":
        return read_symbols.linear("codabar", text, narrow, height, ratio=ratio)
    if kind == "UE0":
        return read_symbols.upc_e(text, narrow, height)
    if kind in _RETAIL:
        symbology, length = _RETAIL[kind]
        return read_symbols.retail(symbology, text, length, narrow, height)
    return None


def _pairs(text: str, module: int, height: int) -> Symbol:
    """Code set C throughout: digits in pairs and nothing else."""
    if not (text.isascii() and text.isdigit() and len(text) % 2 == 0):
        return read_symbols.unread("code128", text, module, height, "code set C takes digit pairs")
    return read_symbols.code_128_text(text, module, height)


def _gs1(text: str, module: int, height: int) -> Symbol:
    plain = re.sub(r"[() ]", "", text).replace(_SEPARATOR, code128.FNC1)
    return read_symbols.code_128_text(code128.FNC1 + plain, module, height)


def _sscc_case(text: str, module: int, height: int) -> Symbol:
    """Type 0: 19 digits; FNC1 and the check digit come from the printer."""
    digits = "".join(char for char in text if char in "0123456789")
    troubles: list[Trouble] = []
    if len(digits) == 20 and check_digit(digits[2:19]) != digits[19]:
        right = check_digit(digits[2:19])
        text = f"{digits}: the check digit should be {right}; the printer would print {right}"
        troubles.append(error(Code.CHECK_DIGIT_WRONG, text))
    elif len(digits) not in {19, 20} or digits != text:
        wrong = f"this type takes 19 digits; {text!r} would be cut or filled up with zeros"
        troubles.append(error(Code.SYMBOL_DATA, wrong))
    body = digits[:19].ljust(19, "0")
    data = code128.FNC1 + body + check_digit(body)
    return read_symbols.code_128_text(data, module, height, troubles)


def _mod_43(text: str, kind: str) -> str:
    if kind != "3C":
        return ""
    signs = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"
    return signs[sum(max(signs.find(char), 0) for char in text) % 43]


def _itf(text: str, kind: str, module: int, height: int, ratio: float) -> Symbol:
    digits = text
    if kind in {"2C", "2D"} and digits.isascii() and digits.isdigit():
        digits += check_digit(digits)
    if len(digits) % 2:
        digits = "0" + digits
    return read_symbols.linear("itf", digits, module, height, ratio=ratio)


def build_matrix(
    kind: str, options: list[str], text: str, raw: bytes, dots_per_mm: float
) -> Symbol | None:
    """The symbol of a b command, or None for a kind that this reader does not know."""
    stated = {option[:1]: option[1:] for option in options if option}
    bytes_in = None if text.isascii() else raw
    if kind == "D":
        return _data_matrix(text, bytes_in, stated)
    if kind.startswith("Q"):
        return _qr(text, bytes_in, stated)
    if kind.startswith("P"):
        return _pdf417(text, bytes_in, stated)
    if kind.startswith("A"):
        return read_symbols.matrix("aztec", text, _count(stated, "d", 3), raw=bytes_in)
    if kind.startswith("M"):
        width, height = round(28 * dots_per_mm), round(27 * dots_per_mm)
        note = warning(Code.NOT_DRAWN, read_symbols.MAXICODE_EMPTY)
        return Symbol("maxicode", text, max(width // 30, 1), width, height, troubles=(note,))
    return None


def _count(stated: dict[str, str], key: str, default: int) -> int:
    value = stated.get(key, "")
    return max(1, min(int(value[:4]), 100)) if value.isascii() and value.isdigit() else default


def _data_matrix(text: str, raw: bytes | None, stated: dict[str, str]) -> Symbol:
    """Options: c columns, r rows, h module size (5 unless stated)."""
    module = _count(stated, "h", 5)
    symbol = read_symbols.matrix(
        "datamatrix", text, module, raw=raw, options={"force_square": True}
    )
    wanted = max(_count(stated, "c", 0), _count(stated, "r", 0))
    if wanted and symbol.columns and wanted > symbol.columns:
        version = read_symbols.square_version(wanted)
        if version:
            return read_symbols.matrix(
                "datamatrix", text, module, raw=raw, options={"version": version}
            )
    return symbol


def _qr(text: str, raw: bytes | None, stated: dict[str, str]) -> Symbol:
    """Options: m model, s module size (3), e error level (M), i input mode (from memory)."""
    level = stated.get("e", "M")[:1].upper()
    level = level if level in set("LMQH") else "M"
    return read_symbols.qr(text, _count(stated, "s", 3), level, raw=raw)


def _pdf417(text: str, raw: bytes | None, stated: dict[str, str]) -> Symbol:
    """Options: s error level, x module width, y module height, r rows, l columns (from memory)."""
    options: dict[str, Option] = {}
    if "s" in stated:
        options["ec_level"] = str(min(_count(stated, "s", 1), 8))
    if "l" in stated:
        options["columns"] = min(_count(stated, "l", 1), 30)
    module = _count(stated, "x", 2)
    return read_symbols.matrix(
        "pdf417",
        text,
        module,
        module_down=_count(stated, "y", module * 3),
        raw=raw,
        options=options,
    )
