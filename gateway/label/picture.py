"""The picture of a label: the dots that the printer will print, as PNG, SVG or PDF."""

import io
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Literal

import numpy as np
from PIL import Image

from gateway.label import fonts
from gateway.label.canvas import Canvas
from gateway.label.placed import Code, Dots, Frame, Placed, Sheet

Form = Literal["png", "svg", "pdf"]
_NO_DATE = datetime(2000, 1, 1, tzinfo=UTC).timetuple()
"""A file format that wants a date gets always the same: the same label gives the same bytes."""


def draw(sheet: Sheet, placed: Iterable[Placed]) -> Image.Image:
    """The sheet as it prints: mode 1, black on white."""
    canvas = Canvas(sheet.width, sheet.height)
    for thing in placed:
        if isinstance(thing, Code):
            dots = thing.drawn()
            canvas.bitmap(dots.x, dots.y, dots.bitmap)
        elif isinstance(thing, Dots):
            canvas.bitmap(thing.x, thing.y, thing.bitmap)
        elif isinstance(thing, Frame):
            canvas.box(thing.x, thing.y, thing.width, thing.height, thing.thickness)
        else:
            letters = fonts.draw(thing.text, thing.size, thing.bold)
            canvas.bitmap(thing.x, thing.y, letters, turn=thing.turn)
    return canvas.image()


def written(image: Image.Image, dots_per_mm: float, form: Form) -> bytes:
    """The picture as a file, at its true size. The same picture gives the same bytes."""
    if form == "png":
        return _png(image, dots_per_mm)
    return _svg(image, dots_per_mm) if form == "svg" else _pdf(image, dots_per_mm)


def _png(image: Image.Image, dots_per_mm: float) -> bytes:
    buffer = io.BytesIO()
    dpi = dots_per_mm * 25.4
    image.save(buffer, "PNG", dpi=(dpi, dpi))
    return buffer.getvalue()


def _pdf(image: Image.Image, dots_per_mm: float) -> bytes:
    buffer = io.BytesIO()
    image.save(
        buffer,
        "PDF",
        resolution=dots_per_mm * 25.4,
        creationDate=_NO_DATE,
        modDate=_NO_DATE,
        title="label",
    )
    return buffer.getvalue()


def _svg(image: Image.Image, dots_per_mm: float) -> bytes:
    """Runs of ink as rectangles, each drawn as far down as it repeats."""
    ink = ~np.asarray(image)
    padded = np.pad(ink, ((0, 0), (1, 1))).astype(np.int8)
    open_runs: dict[tuple[int, int], int] = {}
    shapes: list[str] = []
    for y in range(ink.shape[0] + 1):
        runs: set[tuple[int, int]] = set()
        if y < ink.shape[0]:
            edges = np.flatnonzero(np.diff(padded[y])).reshape(-1, 2)
            runs = {(int(a), int(b)) for a, b in edges}
        for run in [r for r in open_runs if r not in runs]:
            top = open_runs.pop(run)
            shapes.append(f"M{run[0]} {top}H{run[1]}V{y}H{run[0]}z")
        for run in runs:
            open_runs.setdefault(run, y)
    width, height = image.width / dots_per_mm, image.height / dots_per_mm
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.3f}mm" height="{height:.3f}mm" '
        f'viewBox="0 0 {image.width} {image.height}" shape-rendering="crispEdges">'
        f'<rect width="100%" height="100%" fill="#fff"/><path d="{"".join(shapes)}"/></svg>\n'
    ).encode("ascii")
