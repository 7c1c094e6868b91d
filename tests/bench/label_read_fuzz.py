"""Coverage-guided fuzzing of the label reader: no hang, no crash, no growth without bound.

Run by hand with atheris installed beside the project:
    python tests/bench/label_read_fuzz.py -max_total_time=600 -max_len=4096 -rss_limit_mb=1024 \
        CORPUS_FOLDER tests/vectors/supplied
"""

import sys
from contextlib import suppress

import atheris

with atheris.instrument_imports(include=["gateway.label", "schemas"]):
    from gateway.label.errors import LabelError
    from gateway.label.inspect import inspect
    from gateway.label.supplied import draw
    from schemas.order import LabelLanguage
    from schemas.station import Printer

PRINTERS = (None, Printer(), Printer(dots_per_mm=11.811))


def one(data: bytes) -> None:
    """The first byte picks language, printer and whether a picture is drawn."""
    choice, content = data[:1], data[1:]
    number = choice[0] if choice else 0
    language = LabelLanguage.ZPL if number % 2 else LabelLanguage.EPL
    found = inspect(content, language, printer=PRINTERS[number // 2 % 3])
    found.model_dump_json()
    if number >= 192:
        with suppress(LabelError):
            draw(content, language, 8.0)


if __name__ == "__main__":
    atheris.Setup(sys.argv, one)
    atheris.Fuzz()
