"""ZPL bar code commands: parameters and field data to a symbol.

Source: the printer language's command descriptions; default values are those it documents.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

from gateway.label import code128, gs1, read_symbols
from gateway.label.gs1_checks import check_digit
from gateway.label.marks import Symbol
from gateway.label.read_code128 import automatic, data_of, stated
from gateway.label.read_symbols import Option, Trouble, error, warning
from schemas.inspection import FindingCode as Code

_CAPTION_DROPS = re.compile(r">[;:9567824 3]")
_ESCAPED = re.compile(r"d(\d{3})|(.)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Order:
    """One bar code as the stream orders it."""

    params: list[str]
    data: bytes
    text: str
    """`data` in the label's character set."""
    module: int
    ratio: float
    height: int
    dots_per_mm: float

    def flag(self, place: int, default: str) -> str:
        """The parameter at `place` as a capital letter."""
        value = self.params[place][:1].upper() if place < len(self.params) else ""
        return value or default

    def count(self, place: int, default: int, most: int = 32_000) -> int:
        """The parameter at `place` as a number of 1 to `most`."""
        value = self.params[place] if place < len(self.params) else ""
        return min(max(int(value[:9]), 1), most) if value.isascii() and value.isdigit() else default


@dataclass(frozen=True, slots=True)
class Ordered:
    """The symbol with the text line that the printer adds, and where."""

    symbol: Symbol
    caption: str = ""
    above: bool = False


def build(name: str, order: Order) -> Ordered | None:
    """The symbol of a ^B command, or None for a symbology that this reader does not know."""
    maker = _MAKERS.get(name)
    return None if maker is None else maker(order)


def _captioned(symbol: Symbol, order: Order, line: int, default: str, text: str) -> Ordered:
    shown = order.flag(line, default) == "Y"
    return Ordered(symbol, text if shown else "", order.flag(line + 1, "N") == "Y")


def _code_128(order: Order) -> Ordered:
    height = order.count(1, order.height)
    field = order.data.decode("latin-1")
    mode = order.flag(5, "N")
    caption = _CAPTION_DROPS.sub("", field)
    if mode == "U":
        symbol, caption = _sscc_case(field, order.module, height)
    elif mode == "D":
        symbol = _bracketed(field, order.module, height)
    elif mode == "A":
        text, dropped = automatic(field, code128.FNC1)
        symbol = read_symbols.code_128_text(text, order.module, height, _dropped(dropped))
    else:
        if order.flag(4, "N") == "Y":
            field += check_digit(re.sub("[^0-9]", "", _CAPTION_DROPS.sub("", field)) or "0")
        said = stated(field)
        symbol = read_symbols.code_128(
            said.values[: read_symbols.MAX_LINEAR],
            data_of(said.values),
            order.module,
            height,
            _dropped(said.dropped),
        )
    return _captioned(symbol, order, 2, "Y", caption)


def _dropped(dropped: tuple[str, ...]) -> list[Trouble]:
    if not dropped:
        return []
    shown = ", ".join(repr(char) for char in dropped[:5])
    text = f"the code set in force has no value for {shown}: the print lacks it"
    return [error(Code.SYMBOL_DATA, text)]


def _sscc_case(field: str, module: int, height: int) -> tuple[Symbol, str]:
    """Mode U: 19 digits, FNC1 and the check digit come from the printer."""
    digits = "".join(char for char in field if char in "0123456789")
    troubles: list[Trouble] = []
    if len(digits) == 20 and check_digit(digits[2:19]) != digits[19]:
        right = check_digit(digits[2:19])
        text = f"{digits}: the check digit should be {right}; the printer would print {right}"
        troubles.append(error(Code.CHECK_DIGIT_WRONG, text))
    elif len(digits) not in {19, 20} or digits != field:
        text = f"this mode takes 19 digits; {field!r} would be cut or filled up with zeros"
        troubles.append(error(Code.SYMBOL_DATA, text))
    body = digits[:19].ljust(19, "0")
    data = body + check_digit(body)
    made = read_symbols.code_128_text(code128.FNC1 + data, module, height, troubles)
    return made, f"({data[:2]}) {data[2:]}"


def _bracketed(field: str, module: int, height: int) -> Symbol:
    """Mode D: brackets and spaces are dropped, FNC1 leads, missing check digits are added.

    Whether a printer puts FNC1 between elements by itself differs: only a stated `>8` is sure.
    """
    troubles: list[Trouble] = []
    plain, dropped = automatic(field, code128.FNC1)
    pieces = re.split(r"\((\d{2,4})\)", plain.replace(" ", "").lstrip(code128.FNC1))
    said: list[str] = [re.sub(r"[()]", "", pieces[0])]
    for ai, value in zip(pieces[1::2], pieces[2::2], strict=True):
        said.append(ai + re.sub(r"[()]", "", value))
        known = gs1.identifiers().get(ai)
        if known and not known.needs_separator and "csum" in known.parts[0].checks:
            body = value.rstrip(code128.FNC1)
            if len(body) == known.longest - 1 and body.isascii() and body.isdigit():
                said.append(check_digit(body))
    for ai, value in zip(pieces[1:-2:2], pieces[2:-2:2], strict=True):
        known = gs1.identifiers().get(ai)
        if known and known.needs_separator and not value.endswith(code128.FNC1):
            text = f"({ai}) needs a separator before the next element and none is stated"
            troubles.append(error(Code.GS1_STRUCTURE, text))
    text = code128.FNC1 + "".join(said)
    return read_symbols.code_128_text(text, module, height, troubles + _dropped(dropped))


def _linear(symbology: str, height_at: int, line_at: int) -> Callable[[Order], Ordered]:
    """A symbology whose data goes in as it stands."""

    def make(order: Order) -> Ordered:
        height = order.count(height_at, order.height)
        symbol = read_symbols.linear(symbology, order.text, order.module, height, ratio=order.ratio)
        return _captioned(symbol, order, line_at, "Y", order.text)

    return make


def _code_39(order: Order) -> Ordered:
    text = order.text.strip("*").upper()
    if order.flag(1, "N") == "Y":
        signs = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"
        total = sum(max(signs.find(char), 0) for char in text)
        text += signs[total % 43]
    symbol = read_symbols.linear(
        "code39", text, order.module, order.count(2, order.height), ratio=order.ratio
    )
    return _captioned(symbol, order, 3, "Y", f"*{text}*")


def _itf(order: Order) -> Ordered:
    digits = order.text
    if order.flag(4, "N") == "Y" and digits.isascii() and digits.isdigit():
        digits += check_digit(digits)
    if len(digits) % 2:
        digits = "0" + digits
    height = order.count(1, order.height)
    symbol = read_symbols.linear("itf", digits, order.module, height, ratio=order.ratio)
    return _captioned(symbol, order, 2, "Y", digits)


def _retail(symbology: str, length: int, line_at: int = 2) -> Callable[[Order], Ordered]:
    def make(order: Order) -> Ordered:
        height = order.count(1, order.height)
        symbol = read_symbols.retail(symbology, order.text, length, order.module, height)
        return _captioned(symbol, order, line_at, "Y", symbol.data)

    return make


def _upc_e(order: Order) -> Ordered:
    """Ten digits are number system 0 left out: the manufacturer's and the product's five."""
    text = "0" + order.text if len(order.text) == 10 else order.text
    symbol = read_symbols.upc_e(text, order.module, order.count(1, order.height))
    return _captioned(symbol, order, 2, "Y", symbol.data)


def _data_matrix(order: Order) -> Ordered:
    """Quality other than 200 is an old error correction that no reader here can prove."""
    escape = order.params[6][:1] if len(order.params) > 6 and order.params[6] else "~"
    data, is_gs1 = _unescaped(order.text, escape)
    quality = order.params[2] if len(order.params) > 2 and order.params[2] else "0"
    troubles: list[Trouble] = []
    if quality != "200":
        text = f"quality {quality} is not ECC 200: modern scanners don't read it"
        troubles.append(error(Code.SYMBOL_DATA, text))
    size = _matrix_version(order.params)
    symbol = read_symbols.matrix(
        "gs1-datamatrix" if is_gs1 else "datamatrix",
        data,
        order.count(1, 0, 100),
        is_gs1=is_gs1,
        raw=None if is_gs1 or data != order.text or data.isascii() else order.data,
        troubles=troubles,
        options=size,
    )
    if symbol.rows and not symbol.module:
        return Ordered(_fit_height(symbol, order.height))
    return Ordered(symbol)


def _fit_height(symbol: Symbol, height: int) -> Symbol:
    """Without a module size the symbol takes the height of ^BY."""
    module = max(height // len(symbol.rows), 1)
    return replace(
        symbol,
        module=module,
        module_down=module,
        width=symbol.columns * module,
        height=len(symbol.rows) * module,
    )


_RECTANGLES = ((8, 18), (8, 32), (12, 26), (12, 36), (16, 36), (16, 48))
"""Rectangular sizes of ECC 200 in rows and columns (ISO/IEC 16022)."""


def _matrix_version(params: list[str]) -> dict[str, Option]:
    def at(place: int) -> int:
        value = params[place] if place < len(params) else ""
        return int(value[:4]) if value.isascii() and value.isdigit() else 0

    columns, rows = at(3), at(4)
    if (rows, columns) in _RECTANGLES:
        return {"version": 25 + _RECTANGLES.index((rows, columns))}
    side = max(columns, rows)
    version = read_symbols.square_version(side)
    if version and columns in {0, side} and rows in {0, side}:
        return {"version": version}
    return {} if at(7) == 2 else {"force_square": True}


def _unescaped(text: str, escape: str) -> tuple[str, bool]:
    """Data Matrix escape sequences: `1` is FNC1, `dNNN` a byte, a doubled sign itself."""
    if escape not in text:
        return text, False
    is_gs1 = text.startswith(escape + "1")
    out: list[str] = []
    at = 2 if is_gs1 else 0
    while at < len(text):
        if text[at] != escape or at + 1 >= len(text):
            out.append(text[at])
            at += 1
            continue
        match = _ESCAPED.match(text, at + 1)
        assert match is not None
        code, single = match.groups()
        if code is not None:
            out.append(chr(min(int(code), 255)))
        elif single == "1":
            out.append(gs1.GS)
        elif "@" <= single <= "_" and single != escape:
            out.append(chr(ord(single) - 64))
        else:
            out.append(single if single == escape else escape + single)
        at = match.end()
    return "".join(out), is_gs1


def _qr(order: Order) -> Ordered:
    """Field data opens with the error level and the input mode: `QA,` automatic, `MM,A` manual."""
    magnification = order.count(2, _usual_magnification(order.dots_per_mm), 100)
    text, level = order.text, order.flag(3, "Q")
    troubles: list[Trouble] = []
    switch = re.match(r"(?:D\d{4}[0-9A-Fa-f]{2},?)?([HQML ]?)([AM]),", text)
    if switch is None:
        text = text[3:] if len(text) > 3 else ""
        wrong = "the data does not begin with an error level and input mode such as QA,: "
        troubles.append(error(Code.SYMBOL_DATA, wrong + repr(order.text[:12])))
    else:
        level = switch[1].strip() or level
        text = text[switch.end() :]
        if switch[2] == "M":
            text = _manual_qr(text)
    raw = text.encode("utf-8") if not text.isascii() else None
    symbol = read_symbols.qr(text, magnification, level, raw=raw, troubles=troubles)
    return Ordered(symbol)


def _manual_qr(text: str) -> str:
    """Manual input names its character mode: N, A, K or B with a four-digit length."""
    match = re.match(r"B(\d{4})", text)
    if match:
        return text[match.end() : match.end() + int(match[1])]
    return text[1:]


def _usual_magnification(dots_per_mm: float) -> int:
    return 1 if dots_per_mm < 7 else 2 if dots_per_mm < 10 else 3 if dots_per_mm < 18 else 6


def _pdf417(order: Order) -> Ordered:
    options: dict[str, Option] = {}
    if level := order.count(2, 0, 8):
        options["ec_level"] = str(level)
    if columns := order.count(3, 0, 30):
        options["columns"] = columns
    if rows := order.count(4, 0, 90):
        options["rows"] = rows
    raw = order.data if not order.text.isascii() else None
    down = order.count(1, 0, 1000)
    symbol = read_symbols.matrix(
        "pdf417",
        order.text,
        order.module,
        module_down=down or order.module,
        raw=raw,
        options=options,
    )
    if not down and symbol.rows:
        rows_down = max(order.height // len(symbol.rows), order.module)
        symbol = read_symbols.matrix(
            "pdf417", order.text, order.module, module_down=rows_down, raw=raw, options=options
        )
    return Ordered(symbol)


def _aztec(order: Order) -> Ordered:
    size = order.count(1, _usual_magnification(order.dots_per_mm), 10)
    return Ordered(read_symbols.matrix("aztec", order.text, size))


def _maxicode(order: Order) -> Ordered:
    """Fixed size: about 28 x 27 mm (ISO/IEC 16023). The message is told, the picture lacks it."""
    width, height = round(28 * order.dots_per_mm), round(27 * order.dots_per_mm)
    note = warning(Code.NOT_DRAWN, read_symbols.MAXICODE_EMPTY)
    data = _structured(order.text, order.count(0, 2, 6))
    return Ordered(Symbol("maxicode", data, max(width // 30, 1), width, height, troubles=(note,)))


_CARRIER = {
    2: re.compile(r"([0-9]{3})([0-9]{3})([0-9]{9})(.*)", re.DOTALL),
    3: re.compile(r"([0-9]{3})([0-9]{3})(.{6})(.*)", re.DOTALL),
}
_HEADER = re.compile(r"\[\)>\x1e01\x1d[0-9]{2}")


def _structured(text: str, mode: int) -> str:
    """What a scanner reports: postcode, country and class move behind the message's header.

    Source: ISO/IEC 16023, structured carrier message (from memory).
    """
    match = _CARRIER[mode].fullmatch(text) if mode in _CARRIER else None
    if match is None:
        return text
    service, country, postcode, message = match.groups()
    header = _HEADER.match(message)
    cut = header.end() if header else 0
    told = gs1.GS.join([postcode, country, service, message[cut:]])
    return message[:cut] + told


_MAKERS: dict[str, Callable[[Order], Ordered]] = {
    "^BC": _code_128,
    "^B3": _code_39,
    "^BA": _linear("code93", 1, 2),
    "^BK": _linear("codabar", 2, 3),
    "^B2": _itf,
    "^BE": _retail("ean-13", 13),
    "^B8": _retail("ean-8", 8),
    "^BU": _retail("upc-a", 12),
    "^B9": _upc_e,
    "^BX": _data_matrix,
    "^BQ": _qr,
    "^B7": _pdf417,
    "^B0": _aztec,
    "^BO": _aztec,
    "^BD": _maxicode,
}
