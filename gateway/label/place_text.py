"""Text set in its box: broken into lines, made smaller as far as allowed, or refused."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from gateway.label import fonts
from gateway.label.bitmap import Bitmap
from gateway.label.errors import LabelError, TextRefused
from gateway.label.placed import Dots, Placed, Words
from gateway.label.room import Condition, Filling, Origin, Room
from gateway.label.template import Align, TextElement, Vertical

POINT_MM = 25.4 / 72
"""The point of desktop typesetting: 1/72 in."""
_DESCENT_SHARE = 0.236
_REMEMBERED = 64
"""Texts that a step keeps set: senders and services recur, receivers are soon forgotten."""
_PRINTER_LETTERS = re.compile("[ -~\u00a0-\u017f]*")
"""Letters that a printer's own scalable font can be trusted with. Common practice, no source."""


@dataclass(slots=True)
class TextStep:
    """A text element on one sheet."""

    filling: Filling
    condition: Condition
    room: Room
    origin: Origin
    element: TextElement
    dots_per_mm: float
    resident: bool = False
    """Sent as text to the printer's own font, where that can draw it."""
    images: bool = True
    """Whether letters may be sent as dots."""
    _sizes: tuple[int, ...] = field(default=(), init=False)
    _known: dict[tuple[str, str], list[Placed]] = field(default_factory=dict, init=False)

    def place(self, fields: Mapping[str, str], out: list[Placed]) -> None:
        """Add the text's dots. Raises `TextRefused` where it does not fit or can't be drawn."""
        if not self.condition.holds(fields):
            return
        text = self.filling.fill(fields)
        size = fields.get(self.element.type_pt, "") if isinstance(self.element.type_pt, str) else ""
        known = self._known.get((text, size))
        if known is None:
            known = []
            self._place(fonts.tidy(text), fields, known)
            if len(self._known) >= _REMEMBERED:
                self._known.clear()
            self._known[text, size] = known
        out.extend(known)

    def _place(self, text: str, fields: Mapping[str, str], out: list[Placed]) -> None:
        lines = [line.strip(" ") for line in text.split("\n")]
        lines = [line for line in lines if line]
        if not lines:
            return
        try:
            self._set(lines, self._type_sizes(fields), out)
        except TextRefused as refused:
            where = f"template {self.origin.template}, line {self.origin.line}"
            raise TextRefused(f"{where}: {refused}") from refused

    def _set(self, lines: list[str], sizes: tuple[int, ...], out: list[Placed]) -> None:
        element, room = self.element, self.room
        bold, across, down = element.bold, room.across, room.down
        for size in sizes:
            widths = [fonts.width(line, size, bold) for line in lines]
            if max(widths) > across:
                if not element.wrap:
                    continue
                set_lines = self._wrapped(lines, size)
                if set_lines is None:
                    continue
                widths = [fonts.width(line, size, bold) for line in set_lines]
            else:
                set_lines = lines
            if self._height(len(set_lines), size) <= down + 1:
                self._lay(set_lines, widths, size, out)
                return
        self._no_room(lines, sizes[-1], out)

    def _no_room(self, lines: list[str], size: int, out: list[Placed]) -> None:
        most = max(int((self.room.down - self._height(1, size)) // self._pitch(size)) + 1, 1)
        if self.element.overflow == "cut":
            wrapped = (self._broken(lines, size) if self.element.wrap else lines)[: most + 1]
            kept = wrapped[:most]
            if len(wrapped) > most:
                kept[-1] += " …"
            kept = [self._cut(line, size) for line in kept]
            widths = [fonts.width(line, size, self.element.bold) for line in kept]
            self._lay(kept, widths, size, out)
            return
        d = self.dots_per_mm
        needed = max(fonts.width(line, size, self.element.bold) for line in lines) / d
        tall = (
            self._height(len(self._broken(lines, size) if self.element.wrap else lines), size) / d
        )
        raise TextRefused(
            f"{lines[0]!r} does not fit {self.room.across / d:.1f} x {self.room.down / d:.1f} mm "
            f"at its smallest size: one line is {needed:.1f} mm wide, the text {tall:.1f} mm tall"
        )

    def _cut(self, line: str, size: int) -> str:
        bold, room = self.element.bold, self.room.across
        if fonts.width(line, size, bold) <= room:
            return line
        while line and fonts.width(line + "…", size, bold) > room:
            line = line[:-1].rstrip()
        return line + "…"

    def _type_sizes(self, fields: Mapping[str, str]) -> tuple[int, ...]:
        """Sizes to try, the largest first."""
        if self._sizes:
            return self._sizes
        element, d = self.element, self.dots_per_mm
        if isinstance(element.type_pt, str):
            points = fields.get(element.type_pt, "")
            if not re.fullmatch(r"[0-9]{1,3}(\.[0-9]+)?", points):
                raise LabelError(f"field {element.type_pt!r} must hold a type size in points")
            return self._grown(-int(-float(points) * POINT_MM * d // 1))
        if element.type_pt is not None:
            return self._grown(-int(-element.type_pt * POINT_MM * d // 1))
        first = round((element.capital_mm or 0) * d / fonts.CAPITAL_SHARE)
        last = first
        if element.least_mm is not None:
            last = min(round(element.least_mm * d / fonts.CAPITAL_SHARE), first)
        self._sizes = tuple(range(first, max(last, 4) - 1, -1)) or (first,)
        return self._sizes

    def _grown(self, size: int) -> tuple[int, ...]:
        """A type size in points is the least there may be: rounded up, and larger where wanted."""
        return tuple(range(size * 2, size - 1, -1)) if self.element.grow else (size,)

    def _pitch(self, size: int) -> float:
        return size * self.element.spacing

    def _height(self, count: int, size: int) -> float:
        ends = fonts.CAPITAL_SHARE + _DESCENT_SHARE
        return (count - 1) * self._pitch(size) + ends * size

    def _wrapped(self, lines: list[str], size: int) -> list[str] | None:
        broken = self._broken(lines, size)
        bold, across = self.element.bold, self.room.across
        return broken if all(fonts.width(b, size, bold) <= across for b in broken) else None

    def _broken(self, lines: list[str], size: int) -> list[str]:
        bold, across = self.element.bold, self.room.across
        broken: list[str] = []
        for line in lines:
            current = ""
            for word in line.split(" "):
                longer = f"{current} {word}" if current else word
                if current and fonts.width(longer, size, bold) > across:
                    broken.append(current)
                    current = word
                else:
                    current = longer
            broken.append(current)
        return broken

    def _lay(self, lines: list[str], widths: list[int], size: int, out: list[Placed]) -> None:
        element, room = self.element, self.room
        top = 0.0
        if element.vertical is not Vertical.TOP:
            top = room.down - self._height(len(lines), size)
            if element.vertical is Vertical.MIDDLE:  # capitals look centred, descenders hang
                top = (top + _DESCENT_SHARE * size) / 2
        own = fonts.letters(size, element.bold)
        first = top + size * fonts.CAPITAL_SHARE - own.ascent
        pitch, across = self._pitch(size), room.across
        at = [
            (self._left(line, across - wide), round(first + number * pitch))
            for number, (line, wide) in enumerate(zip(lines, widths, strict=True))
        ]
        if element.reverse:
            out.append(self._reversed(lines, at, size))
            return
        for line, wide, (left, y) in zip(lines, widths, at, strict=True):
            if self.resident and _PRINTER_LETTERS.fullmatch(line):
                x, top = room.corner(left, y, wide, own.height)
                out.append(Words(x, top, line, size, element.bold, room.turn, wide, own.ascent))
            elif not self.images:
                raise TextRefused(f"the printer has no letters for {line!r} and takes no images")
            else:
                self._dots(line, left, y, size, out)

    def _left(self, line: str, spare: int) -> int:
        """How far from the box's left edge a line begins, of the dots that it leaves free."""
        match self.element.align:
            case Align.LEFT:
                return 0
            case Align.CENTER:
                return spare // 2
            case Align.RIGHT:
                return spare
            case Align.START:
                return spare if fonts.runs_leftwards(line) else 0

    def _dots(self, line: str, left: int, y: int, size: int, out: list[Placed]) -> None:
        room = self.room
        cut, bitmap = fonts.line(line, size, self.element.bold)
        if not bitmap.height:
            return
        if room.turn == 0:  # the usual way, kept short
            out.append(Dots(room.x + left, room.y + y + cut, bitmap))
            return
        x, top = room.corner(left, y + cut, bitmap.width, bitmap.height)
        out.append(Dots(x, top, bitmap.turned(room.turn)))

    def _reversed(self, lines: list[str], at: list[tuple[int, int]], size: int) -> Dots:
        room = self.room
        paper = np.ones((room.down, room.across), np.bool_)
        for line, (left, y) in zip(lines, at, strict=True):
            ink = fonts.draw(line, size, self.element.bold).dots()
            top, bottom = max(y, 0), min(y + ink.shape[0], room.down)
            right = min(left + ink.shape[1], room.across)
            paper[top:bottom, left:right] &= ~ink[top - y : bottom - y, : right - left]
        return Dots(room.x, room.y, Bitmap.of(paper).turned(room.turn))
