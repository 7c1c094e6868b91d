"""ZPL: every command states its mode, so that nothing hangs on what a printer was left with.

No data reaches the printer as a raw caret, tilde, underscore or control byte: field data goes
through the hexadecimal escape of its field. RS and DLE, which printers take for the caret and the
tilde, are escaped like every other control byte.
"""

import re
from collections.abc import Iterable
from functools import lru_cache

from gateway.label import code128
from gateway.label.bitmap import Bitmap
from gateway.label.gs1 import GS
from gateway.label.placed import Code, Dots, Frame, Placed, Sheet, Words
from gateway.label.symbols import GS1_KINDS, Symbology, code128_text

_MOST_GRAPHIC_BYTES = 99_999
"""Of one graphic field. Source: the language's published programming guide, ^GF."""
_ORIENTATION = {0: "N", 90: "R", 180: "I", 270: "B"}
_RAW = re.compile(r"[^ -\[\]`-}]")
"""All but printable ASCII without caret, backslash, underscore and tilde."""
_SET_LINE = re.compile(r"!(?=\s*U)", re.IGNORECASE)
"""A third command language on the same port begins its lines with `! U`."""


def document(sheet: Sheet, fixed: str, placed: Iterable[Placed]) -> bytes:
    """A whole format for one label. `fixed` is the output of `fields` for what never changes."""
    return f"{opening(sheet)}{fixed}{fields(placed)}^PQ1,0,0,N^XZ\n".encode("ascii")


def opening(sheet: Sheet) -> str:
    """Start, character set, and the settings that earlier jobs could have left behind."""
    return f"^XA^CI28^PW{sheet.width}^LL{sheet.height}^LH0,0^LS0^PON^LRN^FWN^CFA,9,5^BY2,3.0,10\n"


def fields(placed: Iterable[Placed]) -> str:
    """One field for each thing."""
    return "".join([_field(thing) for thing in placed])


def compact(placed: Iterable[Placed]) -> str:
    """The same with images compressed: for what is written once and sent often."""
    return "".join(
        _dots(thing, packed=True) if isinstance(thing, Dots) else _field(thing) for thing in placed
    )


def _field(thing: Placed) -> str:
    if isinstance(thing, Dots):
        return _dots(thing, packed=False)
    if isinstance(thing, Code):
        return _code(thing)
    if isinstance(thing, Frame):
        t = min(thing.thickness, thing.width, thing.height)
        return f"^FO{thing.x},{thing.y}^GB{thing.width},{thing.height},{t},B,0^FS\n"
    return _words(thing)


def _words(words: Words) -> str:
    """Placed by the line that the letters stand on, which is the same in every printer's font."""
    at = f"^FT{words.x},{words.y + words.ascent}"
    if words.turn:
        at = f"^FO{words.x},{words.y}"
    o = _ORIENTATION[words.turn]
    return f"{at}^A0{o},{words.size},{words.size}^FH_^FD{escape(words.text)}^FS\n"


def escape(text: str) -> str:
    """Field data behind `^FH_`: what a printer could take for a command goes as hexadecimal."""
    if not text.isascii() or _RAW.search(text):
        text = _RAW.sub(lambda m: "".join(f"_{b:02X}" for b in m[0].encode()), text)
    return _SET_LINE.sub("_21", text) if "!" in text else text


def _dots(dots: Dots, *, packed: bool) -> str:
    bitmap = dots.bitmap
    total = len(bitmap.data)
    if total > _MOST_GRAPHIC_BYTES:
        return "".join(_dots(part, packed=packed) for part in _halves(dots))
    data = _packed(bitmap) if packed else bitmap.hexadecimal
    return f"^FO{dots.x},{dots.y}^GFA,{total},{total},{bitmap.stride},{data}^FS\n"


def _halves(dots: Dots) -> tuple[Dots, Dots]:
    bitmap, stride = dots.bitmap, dots.bitmap.stride
    half = bitmap.height // 2
    upper = Bitmap(bitmap.width, half, bitmap.data[: half * stride])
    lower = Bitmap(bitmap.width, bitmap.height - half, bitmap.data[half * stride :])
    return Dots(dots.x, dots.y, upper), Dots(dots.x, dots.y + half, lower)


_RUNS = re.compile(r"(.)\1+")


def _packed(bitmap: Bitmap) -> str:
    """Rows with repeat letters; a comma fills a row with zeros, a colon repeats the row above."""
    digits, said, above = bitmap.stride * 2, [], ""
    text = bitmap.hexadecimal
    for at in range(0, len(text), digits):
        row = text[at : at + digits]
        if row == above:
            said.append(":")
            continue
        above = row
        body, end = (row.rstrip("0"), ",") if row.endswith("0") else (row, "")
        said.append(_RUNS.sub(lambda m: _count(len(m[0])) + m[1], body) + end)
    return "".join(said)


@lru_cache(maxsize=1024)
def _count(times: int) -> str:
    twenties, rest = divmod(times, 20)
    said = "z" * (twenties // 20)
    if twenties % 20:
        said += chr(ord("f") + twenties % 20)
    return said + (chr(ord("F") + rest) if rest else "")


def _code(code: Code) -> str:
    write = _WRITERS.get(code.spec.symbology)
    command = write(code) if write else None
    if command is None:
        return _dots(code.drawn(), packed=True)
    return f"^FO{code.x},{code.y}{command}^FS\n"


def _code128(code: Code) -> str | None:
    """Mode N with the start and the one change of code set stated.

    Only from set C to set B, the change that printers and readers of the language agree on; any
    other symbol goes as dots.
    """
    data = invocation(code128.encode(code128_text(code.spec.symbology, code.spec.data)))
    if data is None:
        return None
    o = _ORIENTATION[code.turn]
    return f"^BY{code.module},3.0,{code.height}^BC{o},{code.height},N,N,N,N^FH_^FD{data}"


_GREATER = 30
"""Value of `>` in set B: the sign that begins the codes themselves."""


def invocation(values: tuple[int, ...]) -> str | None:
    """Symbol values in the printer's notation, escapes applied, or None where they go as dots.

    None for set A, for a change to set C, for `>` and for a lone last character after a code: the
    notation has them all, but the readers of the language do not agree on them.
    Source: the published programming guide of the language, table of invocation codes for ^BC.
    """
    if values[0] == code128.START_A:
        return None
    in_c = values[0] == code128.START_C
    said = [">;" if in_c else ">:"]
    for value in values[1:-2]:
        if value == code128.FNC1_VALUE:
            said.append(">8")
        elif in_c:
            if value == code128.TO_A:
                return None
            in_c = value != code128.TO_B
            said.append(f"{value:02}" if in_c else ">6")
        elif value in (code128.SHIFT, code128.TO_C, code128.TO_A, _GREATER):
            return None
        else:
            said.append(escape(chr(value + 32)))
    lone = not in_c and said[-2].startswith(">") and not said[-1].startswith(">")
    return None if lone else _SET_LINE.sub("_21", "".join(said))


def _datamatrix(code: Code) -> str | None:
    """ECC 200 with its size stated, ASCII only: printers disagree on what other letters become."""
    data = code.spec.data
    if not data.isascii():
        return None
    escaper = next((c for c in "_|#$@" if c not in data), None)
    if escaper is None:
        return None
    if code.spec.symbology in GS1_KINDS:
        data = f"{escaper}1" + data.replace(GS, f"{escaper}1")
    side = code.spec.size
    o = _ORIENTATION[code.turn]
    shape = f"^BX{o},{code.module},200,{side},{side},6,{escaper},1"
    return f"{shape}^FH\\^FD{_escape_by_backslash(data)}"


_NOT_PLAIN = re.compile(r"[^ -\[\]_`-}]")


def _escape_by_backslash(text: str) -> str:
    text = _NOT_PLAIN.sub(lambda m: "".join(f"\\{b:02X}" for b in m[0].encode()), text)
    return _SET_LINE.sub(r"\\21", text)


def _code39(code: Code) -> str:
    o = _ORIENTATION[code.turn]
    shape = f"^BY{code.module},3.0,{code.height}^B3{o},N,{code.height},N,N"
    return f"{shape}^FH_^FD{escape(code.spec.data)}"


def _itf(code: Code) -> str:
    o = _ORIENTATION[code.turn]
    data = code.spec.extent().scan
    return f"^BY{code.module},3.0,{code.height}^B2{o},{code.height},N,N,N^FH_^FD{escape(data)}"


_WRITERS = {
    Symbology.CODE128: _code128,
    Symbology.GS1_128: _code128,
    Symbology.DATAMATRIX: _datamatrix,
    Symbology.GS1_DATAMATRIX: _datamatrix,
    Symbology.CODE39: _code39,
    Symbology.ITF: _itf,
    Symbology.ITF14: _itf,
}
