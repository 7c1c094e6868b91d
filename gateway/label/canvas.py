"""A sheet of dots to draw a label on: text, boxes, bars, modules, images, turned as wanted."""

from enum import StrEnum

from PIL import Image, ImageChops, ImageDraw

from gateway.label import fonts
from gateway.label.bitmap import Bitmap
from gateway.label.symbols import Symbol


class Ink(StrEnum):
    """How drawing meets what is there."""

    BLACK = "black"
    WHITE = "white"
    INVERT = "invert"
    """Turns black to white and white to black, as a reversed field does."""


class Canvas:
    """`width` x `height` dots, blank at first. Drawing beyond the edge is cut off.

    `inked` is a Pillow image of mode 1 in which ink is 255.
    Positions are the top left corner of what is drawn, after turning; turns are clockwise.
    """

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self.inked = Image.new("1", (width, height), 0)
        self._pen = ImageDraw.Draw(self.inked)

    def bitmap(self, x: int, y: int, dots: Bitmap, *, turn: int = 0, ink: Ink = Ink.BLACK) -> None:
        """A block of dots; its blank dots leave alone what is below."""
        self._stamp(x, y, dots.turned(turn).image(), ink)

    def _stamp(self, x: int, y: int, mask: Image.Image, ink: Ink) -> None:
        if ink is not Ink.INVERT:
            self.inked.paste(255 if ink is Ink.BLACK else 0, (x, y), mask)
            return
        left, top = max(x, 0), max(y, 0)
        right, bottom = min(x + mask.width, self.width), min(y + mask.height, self.height)
        if left < right and top < bottom:
            below = self.inked.crop((left, top, right, bottom))
            part = mask.crop((left - x, top - y, right - x, bottom - y))
            self.inked.paste(ImageChops.logical_xor(below, part), (left, top))

    def rectangle(self, x: int, y: int, width: int, height: int, ink: Ink = Ink.BLACK) -> None:
        """A filled rectangle."""
        if width < 1 or height < 1:
            return
        if ink is Ink.INVERT:
            self._stamp(x, y, Image.new("1", (width, height), 255), ink)
        else:
            fill = 255 if ink is Ink.BLACK else 0
            self._pen.rectangle((x, y, x + width - 1, y + height - 1), fill=fill)

    def box(
        self,
        x: int,
        y: int,
        width: int,
        height: int,
        thickness: int,
        *,
        ink: Ink = Ink.BLACK,
        radius: int = 0,
    ) -> None:
        """A frame drawn inwards; filled where the thickness reaches the middle."""
        solid = thickness * 2 >= min(width, height)
        if solid and not radius:
            self.rectangle(x, y, width, height, ink)
            return
        mask = Image.new("1", (width, height), 0)
        pen = ImageDraw.Draw(mask)
        edge = (0, 0, width - 1, height - 1)
        pen.rounded_rectangle(edge, radius, fill=255)
        if not solid:
            t = thickness
            inner = (t, t, width - 1 - t, height - 1 - t)
            pen.rounded_rectangle(inner, max(radius - t, 0), fill=0)
        self._stamp(x, y, mask, ink)

    def bars(
        self, x: int, y: int, symbol: Symbol, module: int, height: int, *, turn: int = 0
    ) -> None:
        """A linear symbol without quiet zones, `module` dots to a module."""
        row = Bitmap.from_rows(symbol.rows, symbol.columns)
        self.bitmap(x, y, row.enlarged(module, height), turn=turn)

    def matrix(self, x: int, y: int, symbol: Symbol, module: int, *, turn: int = 0) -> None:
        """A matrix symbol without quiet zones, `module` dots to a module."""
        grid = Bitmap.from_rows(symbol.rows, symbol.columns)
        self.bitmap(x, y, grid.enlarged(module, module), turn=turn)

    def text(
        self,
        x: int,
        y: int,
        text: str,
        size: int,
        *,
        width: int | None = None,
        bold: bool = True,
        turn: int = 0,
        ink: Ink = Ink.BLACK,
    ) -> None:
        """One line of text, `size` dots from the ascent to the descent of its letters.

        `width` stretches letters: as many dots wide as letters of that size would be; left out,
        it equals `size`. Raises `TextRefused` where no font draws the text.
        """
        line = fonts.draw(fonts.tidy(text), max(size, 4), bold)
        mask = line.image()
        across = max(round(mask.width * (width or size) / size), 1)
        if mask.size != (across, size):
            mask = mask.resize((across, size))
        if turn:
            mask = mask.rotate(-turn, expand=True)
        self._stamp(x, y, mask, ink)

    def image(self) -> Image.Image:
        """The sheet as it prints: mode 1, black ink on white."""
        return ImageChops.invert(self.inked)
