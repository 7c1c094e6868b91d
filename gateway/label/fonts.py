"""Letters as dots, the same on every host and every printer.

DejaVu Sans Condensed comes with the gateway and draws Latin, Greek, Cyrillic and more. What it
lacks is drawn with the first font of the host that has it; what no font has is refused.
"""

import re
import unicodedata
from dataclasses import dataclass, field
from functools import cache, lru_cache
from importlib import resources
from pathlib import Path

import numpy as np
from fontTools.ttLib import TTCollection, TTFont, TTLibError
from PIL import Image, ImageFont, features

from gateway.label.bitmap import Bitmap
from gateway.label.errors import TextRefused

CAPITAL_SHARE = 0.729
"""Height of a capital H as a share of the type size. Source: the font itself."""

_SHIPPED = {True: "DejaVuSansCondensed-Bold.ttf", False: "DejaVuSansCondensed.ttf"}
_HOST_FOLDERS = (
    Path("/usr/share/fonts"),
    Path("/usr/local/share/fonts"),
    Path("/Library/Fonts"),
    Path("C:/Windows/Fonts"),
)
_SHAPED = re.compile(
    "[\u0300-\u036f\u0590-\u08ff\u0900-\u109f\u1780-\u18af\u1a00-\u1cff\u200c-\u200f"
    "\u202a-\u202e\u2066-\u2069\ua800-\uabff\ufb1d-\ufdff\ufe20-\ufe2f\ufe70-\ufeff]"
)
"""Characters whose shape or place depends on their neighbours: these lines are shaped whole."""
_NO_LETTERS = frozenset({"Cc", "Cs", "Cn", "Co", "Zl", "Zp"})
"""Control characters, surrogates, what is not assigned, and separators of lines."""
_WIDTH_STEP = 64
_MOST_KEPT_BYTES = 2_000_000
"""Of one font at one size; 64 sizes are kept."""


@dataclass(frozen=True, slots=True)
class _Source:
    """One font file; `number` is its place in a collection."""

    path: Path
    number: int = 0


@dataclass(slots=True)
class Letters:
    """One font at one size in dots. `size` is the type size (the em), not the capital height."""

    source: _Source
    size: int
    font: ImageFont.FreeTypeFont
    ascent: int
    height: int
    advances: dict[str, int] = field(default_factory=dict)
    reaches: dict[str, int] = field(default_factory=dict)
    """How far the ink of a letter reaches right of where the letter begins."""
    placed: dict[int, dict[str, int]] = field(default_factory=dict)
    kept_bytes: int = 0

    def learn(self, text: str) -> None:
        """Get to know the letters of a text that this font draws one by one."""
        for c in text:
            if c not in self.advances:
                self.reaches[c] = _reach(self, c)
                self.advances[c] = round(self.font.getlength(c, mode="1"))

    def _count(self, span: int) -> None:
        """Forget all placed letters once they take too much memory: they are soon drawn again."""
        self.kept_bytes += span * self.height // 8
        if self.kept_bytes > _MOST_KEPT_BYTES:
            self.kept_bytes = 0
            self.placed = {}

    def width(self, text: str) -> int:
        """Width in dots of letters that are known; raises `KeyError` for others."""
        return sum(map(self.advances.__getitem__, text))

    def run(self, text: str) -> tuple[int, Bitmap]:
        """Known letters as dots without blank rows, and how far the first row is below the ascent.

        A letter is kept as one integer, its rows `span` bits apart, so a line is a row of shifts,
        whatever its height. Raises `KeyError` for letters that are not known.
        """
        advances = self.advances
        wide = self.width(text)
        span = -(-(wide + self.size) // _WIDTH_STEP) * _WIDTH_STEP
        placed = self.placed.get(span)
        if placed is None:
            placed = self.placed[span] = {}
        dots = at = 0
        for c in text:
            letter = placed.get(c)
            if letter is None:
                letter = placed[c] = _letter(self, c, span)
                self._count(span)
            dots |= letter >> at
            at += advances[c]
        width = max(wide - advances[text[-1]] + self.reaches[text[-1]], 1)
        if not dots:
            return 0, Bitmap(width, 0, b"")
        above = self.height - -(-dots.bit_length() // span)
        below = ((dots & -dots).bit_length() - 1) // span
        height, stride, used = self.height - above - below, span // 8, (width + 7) // 8
        rows = (dots >> below * span).to_bytes(stride * height)
        data = b"".join([rows[r : r + used] for r in range(0, len(rows), stride)])
        return above, Bitmap(width, height, data)


def _reach(letters: Letters, character: str) -> int:
    mask, (left, _) = letters.font.getmask2(character, mode="1", anchor="ls")
    return max(left, 0) + int(mask.size[0])


def _letter(letters: Letters, character: str, span: int) -> int:
    mask, (left, top) = letters.font.getmask2(character, mode="1", anchor="ls")
    width, height = mask.size
    if not width or not height:
        return 0
    rows = np.frombuffer(bytes(mask), np.uint8).reshape(height, width) > 0
    canvas = np.zeros((letters.height, span), np.bool_)
    first, across = letters.ascent + top, max(left, 0)
    last = min(first + height, letters.height)
    canvas[max(first, 0) : last, across : across + width] = rows[max(-first, 0) : last - first]
    return int.from_bytes(np.packbits(canvas, axis=1).tobytes())


@cache
def _shipped(bold: bool) -> _Source:
    folder = resources.files("gateway.label") / "data" / "fonts"
    with resources.as_file(folder / _SHIPPED[bold]) as path:
        return _Source(path)


@lru_cache(maxsize=64)
def letters(size: int, bold: bool) -> Letters:
    """The font that comes with the gateway, at a type size in dots."""
    return _letters(_shipped(bold), size)


@lru_cache(maxsize=64)
def _letters(source: _Source, size: int) -> Letters:
    font = ImageFont.truetype(
        str(source.path), size, index=source.number, layout_engine=ImageFont.Layout.BASIC
    )
    ascent, descent = font.getmetrics()
    return Letters(source, size, font, ascent, ascent + descent)


@cache
def _covers(source: _Source) -> frozenset[int]:
    try:
        with TTFont(source.path, fontNumber=source.number, lazy=True) as font:
            return frozenset(font.getBestCmap() or ())
    except (OSError, TTLibError):
        return frozenset()


@cache
def _host_fonts() -> tuple[_Source, ...]:
    """Fonts of the host, in the order of their file names so that a host always takes the same."""
    found: list[_Source] = []
    for folder in _HOST_FOLDERS:
        for path in sorted(folder.rglob("*")) if folder.is_dir() else ():
            if path.suffix.lower() in {".ttf", ".otf"}:
                found.append(_Source(path))
            elif path.suffix.lower() == ".ttc":
                found += [_Source(path, n) for n in range(_members(path))]
    return tuple(found)


def _members(path: Path) -> int:
    try:
        with TTCollection(path, lazy=True) as collection:
            return len(collection.fonts)
    except (OSError, TTLibError):
        return 0


@lru_cache(maxsize=4096)
def _source_for(character: str, bold: bool) -> _Source:
    code = ord(character)
    if unicodedata.category(character) in _NO_LETTERS:
        raise TextRefused(f"U+{code:04X} is no character that can be printed")
    for source in (_shipped(bold), _shipped(not bold), *_host_fonts()):
        if code in _covers(source) and _shows(source, character):
            return source
    name = unicodedata.name(character, f"U+{code:04X}")
    raise TextRefused(f"no font on this host draws {character!r} ({name}): install one that has it")


def _shows(source: _Source, character: str) -> bool:
    """Whether the font has dots for it: coloured fonts list letters that they can't draw plain."""
    try:
        mask, _ = _shaping(source, 24).getmask2(character, mode="1", anchor="ls")
    except OSError:
        return False
    return mask.getbbox() is not None


def tidy(text: str) -> str:
    """Text in composed form (NFC), so that a letter and its accent are one character."""
    return text if text.isascii() else unicodedata.normalize("NFC", text)


@lru_cache(maxsize=8192)
def _plain(characters: str, bold: bool) -> bool:
    return _SHAPED.search(characters) is None and all(
        ord(c) in _covers(_shipped(bold)) and unicodedata.category(c) not in _NO_LETTERS
        for c in characters
    )


def is_plain(text: str, bold: bool) -> bool:
    """Whether the shipped font draws it letter by letter."""
    return (text.isascii() and text.isprintable()) or _plain(text, bold)


def width(text: str, size: int, bold: bool) -> int:
    """Width in dots of tidy text. Raises `TextRefused` where no font draws it."""
    own = letters(size, bold)
    try:
        return own.width(text)
    except KeyError:
        if is_plain(text, bold):
            own.learn(text)
            return own.width(text)
    return sum(_stretch_width(source, size, part) for source, part in _stretches(text, bold))


def draw(text: str, size: int, bold: bool) -> Bitmap:
    """One line of tidy text as dots, as tall as the shipped font's line.

    Raises `TextRefused` where no font draws it.
    """
    above, ink = line(text, size, bold)
    below = letters(size, bold).height - above - ink.height
    data = bytes(above * ink.stride) + ink.data + bytes(below * ink.stride)
    return Bitmap(ink.width, ink.height + above + below, data)


def line(text: str, size: int, bold: bool) -> tuple[int, Bitmap]:
    """The same without blank rows, and how many of them were above. Raises `TextRefused`."""
    own = letters(size, bold)
    if not text:
        return 0, Bitmap(1, 0, b"")
    try:
        return own.run(text)
    except KeyError:
        if is_plain(text, bold):
            own.learn(text)
            return own.run(text)
    total = width(text, size, bold)
    canvas = Image.new("1", (max(total, 1), own.height))
    at = 0
    for source, part in _stretches(text, bold):
        font = _shaping(source, size)
        mask, (left, top) = font.getmask2(part, mode="1", anchor="ls")
        if mask.size[0] and mask.size[1]:
            ink = Image.frombytes("L", mask.size, bytes(mask)).convert("1")
            canvas.paste(255, (at + left, own.ascent + top), ink)
        at += _stretch_width(source, size, part)
    return Bitmap(canvas.width, canvas.height, canvas.tobytes()).trimmed()


@lru_cache(maxsize=64)
def _shaping(source: _Source, size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(
        str(source.path), size, index=source.number, layout_engine=ImageFont.Layout.RAQM
    )


def _stretch_width(source: _Source, size: int, text: str) -> int:
    return round(_shaping(source, size).getlength(text, mode="1"))


def _is_blank(character: str) -> bool:
    """A space, or a format character that shows nothing."""
    return unicodedata.category(character) in {"Zs", "Cf"}


def runs_leftwards(text: str) -> bool:
    """Whether the text's first letter is of a script that runs from right to left.

    Source: rules P2 and P3 of Unicode Standard Annex 9.
    """
    if not _SHAPED.search(text):
        return False
    for character in text:
        direction = unicodedata.bidirectional(character)
        if direction in {"L", "R", "AL"}:
            return direction != "L"
    return False


@lru_cache(maxsize=1024)
def _stretches(text: str, bold: bool) -> tuple[tuple[_Source, str], ...]:
    """The text cut where the font has to change; one font for all of it where there is one."""
    if _SHAPED.search(text) and not features.check("raqm"):
        raise TextRefused(
            f"{text!r} needs letters that join or run from right to left, and this host can't set "
            "them: install the library libfribidi"
        )
    marks = [c for c in text if not _is_blank(c)]
    for c in marks:
        source = _source_for(c, bold)
        if all(ord(m) in _covers(source) for m in marks):
            return ((source, text),)
    cut: list[tuple[_Source, str]] = []
    for c in text:
        source = cut[-1][0] if _is_blank(c) and cut else _source_for(c, bold)
        if cut and cut[-1][0] == source:
            cut[-1] = (source, cut[-1][1] + c)
        else:
            cut.append((source, c))
    return tuple(cut)
