"""Bar codes that a label carries inside an image: found the way a scanner would find them."""

from dataclasses import dataclass

import numpy as np
import zxingcpp

from gateway.label.marks import Box, ImageMark

MAX_PIXELS = 10_000_000
"""Largest image that is searched: 4 x 6 in at 600 dpi has 8.6 million."""
_FINE_PIXELS = 3_000_000
"""Beyond it every second dot is looked at: a fine head's modules are many dots wide."""
_NAMES = {
    "Code128": "code128",
    "Code39": "code39",
    "Code93": "code93",
    "Codabar": "codabar",
    "ITF": "itf",
    "EAN13": "ean-13",
    "EAN8": "ean-8",
    "UPCA": "upc-a",
    "UPCE": "upc-e",
    "DataMatrix": "datamatrix",
    "QRCode": "qr",
    "PDF417": "pdf417",
    "Aztec": "aztec",
    "MaxiCode": "maxicode",
}


@dataclass(frozen=True, slots=True)
class ImageCode:
    """One code in an image; the box is in dots on the label."""

    symbology: str
    data: str
    gs1: bool
    box: Box


def codes_in(mark: ImageMark) -> tuple[ImageCode, ...]:
    """Every bar code that is readable in the image."""
    rows = len(mark.data) // mark.stride
    packed = np.frombuffer(mark.data, np.uint8)[: rows * mark.stride].reshape(rows, mark.stride)
    white = np.unpackbits(np.bitwise_not(packed), axis=1) * np.uint8(255)
    step = 2 if white.size > _FINE_PIXELS else 1
    framed = np.pad(white[::step, ::step], 16, constant_values=255)
    found = zxingcpp.read_barcodes(framed, text_mode=zxingcpp.TextMode.Plain)
    return tuple(_code(one, mark, step) for one in found if one.valid)


def _code(found: zxingcpp.Barcode, mark: ImageMark, step: int) -> ImageCode:
    corners = found.position
    points = (corners.top_left, corners.top_right, corners.bottom_left, corners.bottom_right)
    xs = [(point.x - 16) * step * mark.scale_x for point in points]
    ys = [(point.y - 16) * step * mark.scale_y for point in points]
    box = Box(
        mark.box.x + min(xs), mark.box.y + min(ys), max(xs) - min(xs) + 1, max(ys) - min(ys) + 1
    )
    symbology = _NAMES.get(found.format.name, found.format.name.lower())
    is_gs1 = found.content_type == zxingcpp.ContentType.GS1
    if is_gs1:
        symbology = {"code128": "gs1-128"}.get(symbology, "gs1-" + symbology)
    data = "0" + found.text if symbology == "upc-a" and len(found.text) == 12 else found.text
    return ImageCode(symbology, data, is_gs1, box)
