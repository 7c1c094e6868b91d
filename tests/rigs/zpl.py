"""Independent eyes on labels: zpl-renderer-js draws ZPL, zxing-cpp reads symbols."""

import base64
import io
import json
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import numpy as np
import zxingcpp
from PIL import Image

FOLDER = Path(__file__).with_name("zpl_renderer")


class ZplRenderer:
    """One node process that draws labels until it is closed."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            ["node", "serve.mjs"], cwd=FOLDER, stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )

    @staticmethod
    def missing() -> str:
        """Why it can't be started here, or an empty text."""
        if shutil.which("node") is None:
            return "node is not installed"
        if not (FOLDER / "node_modules" / "zpl-renderer-js").is_dir():
            return f"run npm install --no-package-lock in {FOLDER.name}"
        return ""

    def draw(self, zpl: bytes, width_dots: int, height_dots: int) -> Image.Image:
        """The label as a black and white picture of exactly that size."""
        ask = {
            "zpl": zpl.decode("utf-8"),
            "width_mm": width_dots / 8,
            "height_mm": height_dots / 8,
            "dots_per_mm": 8,
        }
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(ask).encode() + b"\n")
        self._process.stdin.flush()
        answer = json.loads(self._process.stdout.readline())
        assert "png" in answer, answer
        image = Image.open(io.BytesIO(base64.b64decode(answer["png"]))).convert("L")
        # it draws a dot more than asked for at some sizes
        return image.crop((0, 0, width_dots, height_dots)).point(lambda v: 255 if v > 127 else 0)

    def close(self) -> None:
        """End the process and wait for it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(20)
        self._process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@dataclass(frozen=True, slots=True)
class Read:
    """A symbol that the decoder found: AIM identifier, its data, and its corners in dots."""

    identifier: str
    data: str
    corners: tuple[int, int, int, int]
    """Left, top, right, bottom."""


def read_symbols(image: Image.Image) -> list[Read]:
    """Every symbol in a picture, as zxing-cpp reads it."""
    padded = Image.new("L", (image.width + 80, image.height + 80), 255)
    padded.paste(image.convert("L"), (40, 40))
    found = []
    for one in zxingcpp.read_barcodes(padded):
        p = one.position
        xs = [c.x - 40 for c in (p.top_left, p.top_right, p.bottom_left, p.bottom_right)]
        ys = [c.y - 40 for c in (p.top_left, p.top_right, p.bottom_left, p.bottom_right)]
        text = one.bytes.decode("utf-8", "replace")
        found.append(Read(one.symbology_identifier, text, (min(xs), min(ys), max(xs), max(ys))))
    return found


def dots(image: Image.Image) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """True where there is ink."""
    return np.asarray(image.convert("L")) < 128
