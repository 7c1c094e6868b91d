"""How long a supplied label takes: inspection and picture, beside the nearest general library.

Run: python tests/bench/label_read.py [ROUNDS]. One process, one core. Every round sees another
SSCC, so that nothing comes out of a cache that a real day would not fill. The library beside it,
zpl-renderer-js, only draws: nothing in the registries inspects. EPL has none at all.
"""

import io
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))

from rigs.zpl import ZplRenderer, read_symbols

from gateway.label.gs1_checks import check_digit
from gateway.label.inspect import inspect
from gateway.label.supplied import draw
from schemas.order import LabelLanguage
from schemas.station import Printer

VECTORS = Path(__file__).parents[1] / "vectors" / "supplied"
PRINTER = Printer()


def varied(name: str, number: int) -> bytes:
    """The label with an SSCC, a lot and a serial of its own."""
    stream = (VECTORS / name).read_bytes()
    body = f"39521234{number:09d}"
    sscc = body + check_digit(body)
    return (
        stream.replace(b"395123451234567895", sscc.encode())
        .replace(b"376104250021234569", sscc.encode())
        .replace(b"LOT7_121A5", f"L{number:05d}_121S{number:06d}".encode())
        .replace(b"106141412345678908", sscc.encode())
    )


def timed(work: Callable[[bytes], object], streams: list[bytes]) -> tuple[float, float]:
    """Median and 95th percentile in ms over the streams."""
    spent: list[float] = []
    for stream in streams:
        began = time.perf_counter()
        work(stream)
        spent.append((time.perf_counter() - began) * 1000)
    spent.sort()
    return statistics.median(spent), spent[int(len(spent) * 0.95)]


def main() -> None:
    """Print the table."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    rows: list[tuple[str, float, float]] = []
    for name in ("carrier-4x6.zpl", "every-symbol.zpl", "every-symbol.epl"):
        language = LabelLanguage(name[-3:])
        streams = [varied(name, number) for number in range(rounds)]
        inspect(streams[0], language, printer=PRINTER)
        draw(streams[0], language, 8.0)

        def look(stream: bytes, spoken: LabelLanguage = language) -> object:
            return inspect(stream, spoken, printer=PRINTER)

        def picture(stream: bytes, spoken: LabelLanguage = language) -> object:
            return draw(stream, spoken, 8.0)

        def decoded(stream: bytes, spoken: LabelLanguage = language) -> object:
            return read_symbols(Image.open(io.BytesIO(draw(stream, spoken, 8.0))))

        rows.append((f"{name}: inspect", *timed(look, streams)))
        rows.append((f"{name}: picture", *timed(picture, streams)))
        rows.append((f"{name}: picture read by zxing-cpp", *timed(decoded, streams[:40])))
    rows += beside(rounds)
    rows += hostile()
    print(f"{'':58}{'median ms':>10}{'95 % ms':>10}{'times':>8}")
    base = rows[1][1]
    for text, median, high in rows:
        print(f"{text:58}{median:10.2f}{high:10.2f}{median / base:8.1f}")
    print("times: against our picture of carrier-4x6.zpl")


def beside(rounds: int) -> list[tuple[str, float, float]]:
    """The same ZPL label drawn by zpl-renderer-js, one long-lived node process."""
    if missing := ZplRenderer.missing():
        print(f"zpl-renderer-js is left out: {missing}")
        return []
    streams = [
        varied("carrier-4x6.zpl", number).split(b"^XA", 2)[2] for number in range(min(rounds, 40))
    ]
    labels = [b"^XA^CI28" + stream for stream in streams]
    with ZplRenderer() as renderer:

        def ask(stream: bytes) -> object:
            return renderer.draw(stream, 812, 1218)

        ask(labels[0])
        return [("carrier-4x6.zpl: picture by zpl-renderer-js", *timed(ask, labels))]


def hostile() -> list[tuple[str, float, float]]:
    """Streams that nobody should send; each must be answered within a second."""
    limit = 1_990_000
    image = b"^XA^FO1,1^GFA,4000000,4000000,125,"
    codes = b"".join(b"^FO1,%d^BQN,2,10^FDLA,%05d%s^FS" % (n, n, b"x" * 2800) for n in range(100))
    streams = {
        "5 MB of fields": b"^XA^FO1,1^FDx^FS" * 312_500,
        "2 MB of carets": b"^" * limit,
        "2 MB of blank lines": b"\r\n \n" * (limit // 4),
        "2 MB of repeat letters": image + b"G0H1" * (limit // 4),
        "100 of the largest QR": b"^XA" + codes + b"^XZ",
        "250 fields of 7.6 kB": b"^XA" + (b"^FO1,1^FB9,9999^FD" + b"a b " * 1900 + b"^FS") * 250,
    }
    rows = []
    for text, stream in streams.items():
        language = LabelLanguage.EPL if "lines" in text else LabelLanguage.ZPL
        rows.append((f"hostile: {text}", *timed(lambda s, k=language: inspect(s, k), [stream] * 3)))
    return rows


if __name__ == "__main__":
    main()
