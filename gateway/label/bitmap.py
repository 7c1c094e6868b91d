"""A block of dots, one bit each."""

from dataclasses import dataclass, field

import numpy as np
from PIL import Image


@dataclass(frozen=True, slots=True)
class Bitmap:
    """Dots in rows from the top; a set bit is ink, the leftmost dot is the highest bit of a byte.

    Every row fills `stride` whole bytes; bits beyond `width` are clear.
    """

    width: int
    height: int
    data: bytes
    _hexadecimal: str = field(default="", init=False, compare=False, repr=False)

    @property
    def stride(self) -> int:
        """Bytes in a row."""
        return (self.width + 7) // 8

    @property
    def hexadecimal(self) -> str:
        """The dots in hexadecimal capitals, kept: a sender's address is asked for every time."""
        if not self._hexadecimal:
            object.__setattr__(self, "_hexadecimal", self.data.hex().upper())
        return self._hexadecimal

    @classmethod
    def of(cls, dots: "np.ndarray[tuple[int, int], np.dtype[np.bool_]]") -> "Bitmap":
        """From an array of rows of booleans."""
        height, width = dots.shape
        return cls(width, height, np.packbits(dots, axis=1).tobytes())

    @classmethod
    def from_rows(cls, rows: tuple[int, ...], columns: int) -> "Bitmap":
        """From one integer a row, the leftmost dot in the highest of `columns` bits."""
        stride = (columns + 7) // 8
        spare = stride * 8 - columns
        return cls(columns, len(rows), b"".join((r << spare).to_bytes(stride) for r in rows))

    def dots(self) -> "np.ndarray[tuple[int, int], np.dtype[np.bool_]]":
        """As an array of rows of booleans."""
        packed = np.frombuffer(self.data, np.uint8).reshape(self.height, self.stride)
        bits = np.unpackbits(packed, axis=1, count=self.width)
        dots: np.ndarray[tuple[int, int], np.dtype[np.bool_]] = bits.astype(np.bool_)
        return dots

    def turned(self, degrees: int) -> "Bitmap":
        """Turned clockwise by 0, 90, 180 or 270 degrees."""
        return Bitmap.of(np.rot90(self.dots(), -degrees // 90)) if degrees else self

    def enlarged(self, across: int, down: int) -> "Bitmap":
        """Each dot as a block of `across` x `down` dots."""
        return Bitmap.of(self.dots().repeat(down, axis=0).repeat(across, axis=1))

    def inverted(self) -> "Bitmap":
        """Ink where there was none."""
        return Bitmap.of(~self.dots())

    def trimmed(self) -> "tuple[int, Bitmap]":
        """Without blank rows above and below; also how many rows went from the top."""
        stride = self.stride
        top = (len(self.data) - len(self.data.lstrip(b"\0"))) // stride
        used = len(self.data.rstrip(b"\0"))
        rows = -(-used // stride) - top
        if rows < 1:
            return 0, Bitmap(self.width, 0, b"")
        return top, Bitmap(self.width, rows, self.data[top * stride : (top + rows) * stride])

    def image(self) -> Image.Image:
        """As a Pillow image of mode 1 in which ink is 1: a mask to paste through."""
        return Image.frombytes("1", (self.width, self.height), self.data)
