"""Where an element of a template lies on the sheet, in dots."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from gateway.label.errors import LabelError, TemplateFault
from gateway.label.placed import Sheet
from gateway.label.template import Pair

_TOLERANCE_DOTS = 1


@dataclass(frozen=True, slots=True)
class Origin:
    """Which template and line an element comes from, for messages."""

    template: str
    line: int

    def fault(self, what: str) -> TemplateFault:
        """An error at this place."""
        return TemplateFault(self.template, self.line, what)


@dataclass(frozen=True, slots=True)
class Room:
    """A box in dots, and how its content is turned: clockwise, by whole right angles.

    Content is laid out in a frame of its own, `across` x `down`, whose top left corner goes where
    the turn puts it.
    """

    x: int
    y: int
    width: int
    height: int
    turn: int = 0

    @property
    def across(self) -> int:
        """Width of the frame before turning."""
        return self.width if self.turn in (0, 180) else self.height

    @property
    def down(self) -> int:
        """Height of the frame before turning."""
        return self.height if self.turn in (0, 180) else self.width

    def corner(self, x: int, y: int, width: int, height: int) -> tuple[int, int]:
        """Top left corner on the sheet of a part at x, y of the frame, size before turning."""
        if self.turn == 0:
            return self.x + x, self.y + y
        if self.turn == 90:
            return self.x + self.width - y - height, self.y + x
        if self.turn == 180:
            return self.x + self.width - x - width, self.y + self.height - y - height
        return self.x + y, self.y + self.height - x - width

    def moved(self, x: int, y: int) -> "Room":
        """The same box elsewhere."""
        return replace(self, x=self.x + x, y=self.y + y)


def room(sheet: Sheet, at_mm: Pair, box_mm: Pair | None, turn: int, origin: Origin) -> Room:
    """Turn millimetres, counted from any edge, into a box on the sheet.

    Raises `TemplateFault` where the box is empty or reaches beyond the sheet.
    """
    d = sheet.dots_per_mm
    x = _place(at_mm[0], sheet.width, d)
    y = _place(at_mm[1], sheet.height, d)
    width, height = box_mm or (-0.001, -0.001)
    right = x + round(width * d) if width > 0 else sheet.width + round(width * d)
    bottom = y + round(height * d) if height > 0 else sheet.height + round(height * d)
    for start, end, limit, edge in (
        (x, right, sheet.width, "right"),
        (y, bottom, sheet.height, "lower"),
    ):
        if start < 0 or end <= start:
            raise origin.fault("the box has no room on this label")
        if end > limit + _TOLERANCE_DOTS:
            over = (end - limit) / d
            raise origin.fault(
                f"reaches {over:.2f} mm beyond the {edge} edge of {limit / d:.1f} mm"
            )
    return Room(x, y, min(right, sheet.width) - x, min(bottom, sheet.height) - y, turn)


def _place(at: float, size: int, dots_per_mm: float) -> int:
    return round(at * dots_per_mm) if at >= 0 else size + round(at * dots_per_mm)


@dataclass(frozen=True, slots=True)
class Filling:
    """A text with places for fields."""

    parts: tuple[tuple[str, str, bool], ...]
    """Literal, field, whether the field may be missing."""

    @property
    def is_fixed(self) -> bool:
        """Whether it takes no field."""
        return all(not field for _, field, _ in self.parts)

    def fill(self, fields: Mapping[str, str]) -> str:
        """The text. Raises `LabelError` for a field that is not there."""
        said = []
        for literal, field, optional in self.parts:
            said.append(literal)
            if field:
                value = fields.get(field)
                if value is None:
                    if not optional:
                        raise LabelError(f"the label needs the field {field!r}, which is not there")
                    value = ""
                said.append(value)
        return "".join(said)


@dataclass(frozen=True, slots=True)
class Condition:
    """What fields must and must not hold. A value of None stands for "something"."""

    wanted: tuple[tuple[str, str | None], ...] = ()
    unwanted: tuple[tuple[str, str | None], ...] = ()

    def holds(self, fields: Mapping[str, str]) -> bool:
        """Whether the element is drawn."""
        for name, value in self.wanted:  # plain loops: asked for every element of every label
            if not _holds(fields, name, value):
                return False
        return all(not _holds(fields, name, value) for name, value in self.unwanted)


def _holds(fields: Mapping[str, str], name: str, value: str | None) -> bool:
    said = fields.get(name)
    return bool(said) if value is None else said == value
