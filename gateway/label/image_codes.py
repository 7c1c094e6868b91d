"""Bar codes that a label carries inside an image: found the way a scanner would find them."""

from dataclasses import dataclass

import numpy as np
import zxingcpp

from gateway.label.marks import Box, ImageMark

MAX_PIXELS = 10_000_000
"""Largest image that is searched: 4 x 6 in at 600 dpi has 8.6 million."""
_FINE_PIXELS = 3_000_000
"""Beyond it every second dot is looked at: a fine head's modules are many dots wide."""
_DOUBLED_PIXELS = 2_500_000
"""An image up to this size in which nothing is found is searched once more at twice the size:
the reader passes over some small Data Matrix codes of two dots a module."""
_FRAME = 80
"""White dots put round the image: ten modules of 8 dots, the widest quiet zone that readers ask
for, so that a code at the image's edge is found too."""
_NARROW_SHARE = 20
"""Percentile of the runs across a symbol that is one module: in every symbology a third or more
of the runs are single modules, and a few stray dots must not make them thinner."""
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
_Dots = np.ndarray[tuple[int, int], np.dtype[np.uint8]]


@dataclass(frozen=True, slots=True)
class ImageCode:
    """One code in an image; box and module are in dots on the label, the module measured."""

    symbology: str
    data: str
    gs1: bool
    box: Box
    module: int
    rotation: int
    """Clockwise, to the next right angle."""


def codes_in(mark: ImageMark) -> tuple[ImageCode, ...]:
    """Every bar code that is readable in the image."""
    rows = len(mark.data) // mark.stride
    packed = np.frombuffer(mark.data, np.uint8)[: rows * mark.stride].reshape(rows, mark.stride)
    white = np.unpackbits(np.bitwise_not(packed), axis=1) * np.uint8(255)
    step = 2 if white.size > _FINE_PIXELS else 1
    framed = np.pad(white[::step, ::step], _FRAME, constant_values=255)
    scale = 1.0 / step
    found = zxingcpp.read_barcodes(framed, text_mode=zxingcpp.TextMode.Plain)
    if not found and framed.size <= _DOUBLED_PIXELS:
        scale, framed = 2.0, framed.repeat(2, axis=0).repeat(2, axis=1)
        found = zxingcpp.read_barcodes(framed, text_mode=zxingcpp.TextMode.Plain)
    frame = _FRAME * (2 if scale == 2.0 else 1)
    return tuple(_code(one, mark, frame, scale, white) for one in found if one.valid)


def _code(
    found: zxingcpp.Barcode, mark: ImageMark, frame: int, scale: float, white: _Dots
) -> ImageCode:
    """`scale` is how many pixels of the searched picture stand for a dot of the image."""
    corners = found.position
    points = (corners.top_left, corners.top_right, corners.bottom_left, corners.bottom_right)
    xs = [int((point.x - frame) / scale) for point in points]
    ys = [int((point.y - frame) / scale) for point in points]
    across, down = mark.scale_x, mark.scale_y
    box = Box(
        mark.box.x + min(xs) * across,
        mark.box.y + min(ys) * down,
        (max(xs) - min(xs) + 1) * across,
        (max(ys) - min(ys) + 1) * down,
    )
    symbology = _NAMES.get(found.format.name, found.format.name.lower())
    is_gs1 = found.content_type == zxingcpp.ContentType.GS1
    if is_gs1:
        symbology = {"code128": "gs1-128"}.get(symbology, "gs1-" + symbology)
    data = "0" + found.text if symbology == "upc-a" and len(found.text) == 12 else found.text
    turn = round(found.orientation / 90) % 4 * 90
    inside = white[max(min(ys), 0) : max(ys) + 1, max(min(xs), 0) : max(xs) + 1]
    module = _module(inside.T) * down if turn % 180 else _module(inside) * across
    return ImageCode(symbology, data, is_gs1, box, module, turn)


def _module(inside: _Dots) -> int:
    """Width of a module in dots: the narrow runs along the lines across a symbol's middle."""
    middle = inside[inside.shape[0] // 4 : max(inside.shape[0] * 3 // 4, 1)]
    runs = [np.diff(np.flatnonzero(np.diff(line.astype(np.int16)))) for line in middle[::3]]
    lengths = np.concatenate(runs) if runs else np.empty(0)
    return int(np.percentile(lengths, _NARROW_SHARE, method="lower")) if lengths.size else 0
