"""What a label consists of once every place is a whole dot: what each language writes down."""

from dataclasses import dataclass

from gateway.label.bitmap import Bitmap
from gateway.label.symbols import Spec


@dataclass(frozen=True, slots=True)
class Dots:
    """A block of dots with its top left corner."""

    x: int
    y: int
    bitmap: Bitmap


@dataclass(frozen=True, slots=True)
class Frame:
    """A black frame drawn inwards, filled where the thickness reaches the middle."""

    x: int
    y: int
    width: int
    height: int
    thickness: int


@dataclass(frozen=True, slots=True)
class Code:
    """A symbol that the printer draws itself. x, y: top left corner after turning."""

    x: int
    y: int
    spec: Spec
    module: int
    height: int
    """Height of the bars, or of the modules together, before turning."""
    turn: int

    def drawn(self) -> Dots:
        """The same as dots."""
        symbol = self.spec.symbol()
        rows = Bitmap.from_rows(symbol.rows, symbol.columns)
        if symbol.is_linear:
            row = rows.enlarged(self.module, 1)
            dots = Bitmap(row.width, self.height, row.data * self.height)
        else:
            dots = rows.enlarged(self.module, self.module)
        return Dots(self.x, self.y, dots.turned(self.turn))


@dataclass(frozen=True, slots=True)
class Words:
    """Text in the printer's own font. `size` is the type size in dots; x, y its top left corner."""

    x: int
    y: int
    text: str
    size: int
    bold: bool
    turn: int
    width: int
    """Width that the shipped font would give it: the box that it must stay in."""
    ascent: int
    """From y down to the line that the letters stand on, before turning."""


Placed = Dots | Frame | Code | Words


@dataclass(frozen=True, slots=True)
class Sheet:
    """The label in dots, as far as the head reaches."""

    width: int
    height: int
    dots_per_mm: float
