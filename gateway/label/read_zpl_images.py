"""Bitmaps in a ZPL stream: graphic fields, and images downloaded and recalled by name."""

import re
from dataclasses import dataclass

from gateway.label.marks import MAX_IMAGE_BYTES, Notes, StreamTooLarge
from gateway.label.read_graphic import BadGraphic, graphic
from schemas.inspection import FindingCode as Code


@dataclass(frozen=True, slots=True)
class Bitmap:
    """Decoded rows, 1 = black; `height` rows of `stride` bytes."""

    stride: int
    height: int
    data: bytes


class Images:
    """Decodes graphics, keeps those that the stream stores, and bounds the work."""

    def __init__(self, notes: Notes) -> None:
        self.notes = notes
        self.named: dict[str, Bitmap] = {}
        self.decoded = 0

    def decode(self, data: bytes, total: int, stride: int, offset: int) -> Bitmap | None:
        """Graphic data to a bitmap; damage is a finding and gives None."""
        try:
            rows = graphic(data, total, stride)
        except BadGraphic as bad:
            self.notes.error(Code.BAD_GRAPHIC, f"image: {bad}", offset)
            return None
        if len(rows) < total:
            text = f"image: {total} bytes stated, {len(rows)} there"
            self.notes.warn(Code.BAD_GRAPHIC, text, offset)
        return self.kept(rows, stride, offset)

    def kept(self, rows: bytes, stride: int, offset: int) -> Bitmap | None:
        """A bitmap of whole rows, counted against the limit of the stream."""
        self.decoded += len(rows)
        if self.decoded > MAX_IMAGE_BYTES:
            raise StreamTooLarge(f"images of more than {MAX_IMAGE_BYTES} bytes", offset)
        height = -(-len(rows) // stride)
        return Bitmap(stride, height, rows.ljust(height * stride, b"\0")) if height else None

    def field(self, body: bytes, comma: bytes, offset: int) -> Bitmap | None:
        """^GF: format, bytes sent, bytes in all, bytes per row, data."""
        parts = body.split(comma, 4)
        if len(parts) < 5:
            self.notes.error(Code.BAD_GRAPHIC, "image: parameters are missing", offset)
            return None
        form = parts[0].strip().upper() or b"A"
        total, stride = _number(parts[2]), _number(parts[3])
        if form == b"B":
            if stride <= 0:
                self.notes.error(Code.BAD_GRAPHIC, "image: row length is zero", offset)
                return None
            return self.kept(parts[4][:total], stride, offset)
        if form == b"C":
            self.notes.warn(Code.NOT_DRAWN, "image in a packed binary form is not drawn", offset)
            return None
        return self.decode(parts[4], total, stride, offset)

    def download(self, body: bytes, comma: bytes, offset: int) -> None:
        """~DG: name, bytes in all, bytes per row, data."""
        parts = body.split(comma, 3)
        if len(parts) == 4:
            bitmap = self.decode(parts[3], _number(parts[1]), _number(parts[2]), offset)
            if bitmap:
                self.named[object_name(parts[0], "GRF")] = bitmap


def _number(text: bytes) -> int:
    digits = text.strip()
    return int(digits[:9]) if digits.isdigit() else 0


_NAME = re.compile(rb"\s*(?:([A-Za-z]):)?\s*([^.\s]*)(?:\.(\w+))?")


def object_name(text: bytes, extension: str) -> str:
    """Name of a stored object: device R when none is stated, the kind's usual extension."""
    match = _NAME.match(text)
    assert match is not None
    device, name, ending = (
        part.decode("latin-1").upper() if part else "" for part in match.groups()
    )
    return f"{device or 'R'}:{name or 'UNKNOWN'}.{ending or extension}"
