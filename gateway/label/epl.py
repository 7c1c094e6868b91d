"""EPL: text and most symbols go as dots, whose bytes are counted and can't become commands.

The language's own fonts are coarse and its symbols leave the choice of code set or size to the
printer; so only rules, boxes and Code 128 of a single code set go as commands, and text only to a
printer that takes no images.
"""

from collections.abc import Iterable
from functools import lru_cache

from gateway.label import code128
from gateway.label.bitmap import Bitmap
from gateway.label.errors import TextRefused
from gateway.label.placed import Code, Dots, Frame, Placed, Sheet, Words
from gateway.label.symbols import Symbology

_WHITE_FIRST = bytes(255 - b for b in range(256))
"""In a graphic a clear bit prints. Source: public notes on the language; some say the opposite."""
_FONTS_203 = ((1, 8, 12), (2, 10, 16), (3, 12, 20), (4, 14, 24))
_FONTS_300 = ((1, 12, 20), (2, 16, 28), (3, 20, 36), (4, 24, 44))
"""Number, width and height in dots of the fonts that have small letters.

Source of those at 203 dpi: the published programming guide; at 300 dpi from memory.
"""
_FINE_DOTS_PER_MM = 10.0


def document(sheet: Sheet, fixed: bytes, placed: Iterable[Placed], *, gap_mm: float) -> bytes:
    """A whole form for one label. `gap_mm` lies between two labels; 0 on film without gaps.

    Raises `TextRefused` for text that the printer's own font would need and does not have.
    """
    return opening(sheet, gap_mm=gap_mm) + fixed + fields(sheet, placed) + b"P1,1\n"


def opening(sheet: Sheet, *, gap_mm: float) -> bytes:
    """Clear the image buffer and state size, origin, direction and character set."""
    form = f"{sheet.height},{round(gap_mm * sheet.dots_per_mm)}"
    return f"\nN\nI8,A,001\nq{sheet.width}\nQ{form}\nR0,0\nZT\n".encode("ascii")


def fields(sheet: Sheet, placed: Iterable[Placed]) -> bytes:
    """One command or more for each thing."""
    return b"".join([_field(sheet, thing) for thing in placed])


def _field(sheet: Sheet, thing: Placed) -> bytes:
    if isinstance(thing, Dots):
        return _graphic(thing.x, thing.y, thing.bitmap)
    if isinstance(thing, Frame):
        return _frame(thing).encode("ascii")
    if isinstance(thing, Code):
        return _code(thing)
    return _words(sheet, thing)


def _graphic(x: int, y: int, bitmap: Bitmap) -> bytes:
    head = f"GW{x},{y},{bitmap.stride},{bitmap.height},".encode("ascii")
    return head + bitmap.data.translate(_WHITE_FIRST) + b"\n"


def _frame(frame: Frame) -> str:
    x, y, w, h, t = frame.x, frame.y, frame.width, frame.height, frame.thickness
    if t * 2 >= min(w, h):
        return f"LO{x},{y},{w},{h}\n"
    return (
        f"LO{x},{y},{w},{t}\nLO{x},{y + h - t},{w},{t}\n"
        f"LO{x},{y + t},{t},{h - 2 * t}\nLO{x + w - t},{y + t},{t},{h - 2 * t}\n"
    )


def _code(code: Code) -> bytes:
    single = _single_set(code)
    if single is None:
        dots = code.drawn()
        return _graphic(dots.x, dots.y, dots.bitmap)
    shape = f"B{code.x},{code.y},0,1{single},{code.module},{code.module},{code.height},N,"
    return f"{shape}{quoted(code.spec.data)}\n".encode("ascii")


@lru_cache(maxsize=1024)
def _set_of(data: str) -> str | None:
    values = code128.encode(data)
    changes = {code128.TO_A, code128.TO_B, code128.SHIFT}
    if values[0] == code128.START_C:
        return "C" if data.isdigit() and len(values) * 2 - 6 == len(data) else None
    if values[0] == code128.START_B and not changes.union({code128.TO_C}) & set(values[1:-2]):
        return "B"
    return None


def _single_set(code: Code) -> str | None:
    """The code set of a symbol that needs no other and lies upright, where corners are plain."""
    if code.spec.symbology is not Symbology.CODE128 or code.turn:
        return None
    printable = all(" " <= c <= "~" for c in code.spec.data) and "! U" not in code.spec.data.upper()
    return _set_of(code.spec.data) if printable else None


def quoted(text: str) -> str:
    """Data in quotes. Raises `TextRefused` for what would end the line or the string."""
    if any(ord(c) < 32 or ord(c) == 127 for c in text):
        raise TextRefused(f"{text!r} holds a control character, which would end the command")
    if "! U" in text.upper():
        raise TextRefused(f"{text!r} holds '! U', which begins a command of another language")
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _words(sheet: Sheet, words: Words) -> bytes:
    try:
        said = quoted(words.text).encode("cp1252")
    except UnicodeEncodeError as missing:
        raise TextRefused(
            f"the printer has no letters for {words.text!r} and takes no images"
        ) from missing
    fonts = _FONTS_300 if sheet.dots_per_mm > _FINE_DOTS_PER_MM else _FONTS_203
    fitting = [
        (wide * tall, font, wide, tall)
        for font, width, height in fonts
        for wide in (1, 2, 3, 4, 5, 6)
        for tall in (1, 2, 3, 4, 5, 6)
        if height * tall <= words.size and width * wide * len(words.text) <= words.width
    ]
    if not fitting:
        raise TextRefused(
            f"{words.text!r} does not fit {words.width} x {words.size} dots in any font of the "
            "printer: give it more room, or let letters go as images"
        )
    _, font, wide, tall = max(fitting, key=lambda f: (f[0] * f[1], f[1]))
    y = words.y + (0 if words.turn else words.ascent - words.size)
    head = f"A{words.x},{max(y, 0)},{words.turn // 90},{font},{wide},{tall},N,"
    return head.encode("ascii") + said + b"\n"
