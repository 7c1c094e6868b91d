"""How fast labels are made, beside a general ZPL library and an independent renderer in one run.

Run it as `python tests/bench/label_make.py [labels]`. Every parcel label has another receiver,
order and SSCC, as in a packing room; sender and services recur. The general library (PyPI
simple-zpl2, unmaintained since 2020) and the renderer (npm zpl-renderer-js) are left out, and said
so, where they are not installed. The library writes text in the printer's own font and neither
checks, escapes nor lays out anything: it shows the floor of writing such a stream in Python.
"""

import importlib.util
import random
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from time import perf_counter, process_time

sys.path.insert(0, str(Path(__file__).parents[1]))

from rigs.label_demo import (
    CODE,
    ORDER,
    PARCEL,
    RECEIVER,
    SENDER,
    printer_for,
)
from rigs.zpl import ZplRenderer

from gateway.label import (
    Fields,
    builtin_template,
    load_template,
    make,
    parcel_fields,
    picture,
    sscc,
)
from gateway.label.template import Template

NAMES = (
    "Åsa Lindqvist-Øyen",
    "Bo Reed",
    "María Fernández",
    "Jiří Dvořák",
    "Łucja Kowalska",
    "Noor",
)
STREETS = ("Market Street", "Långa Gatan", "Rue des Lilas", "Hafenweg", "Calle Mayor")
PLACES = ("Nystad", "Ostbrück", "Villafranca", "Kirkham", "Zielona", "Porto Novo")


def parcels(count: int) -> list[Fields]:
    """Fields of so many parcels, no two alike, the same in every run."""
    chance = random.Random(1)
    made = []
    for n in range(count):
        receiver = RECEIVER.model_copy(
            update={
                "name": f"{chance.choice(NAMES)} {chance.randint(1, 999)}",
                "company": chance.choice(("", "", "Hemma & Co")),
                "lines": (f"{chance.choice(STREETS)} {chance.randint(1, 400)}",),
                "postcode": str(chance.randint(1000, 99999)),
                "city": chance.choice(PLACES),
                "phone": f"+00 555 {chance.randint(0, 9999):04}",
            }
        )
        order = ORDER.model_copy(
            update={"order_id": f"ORD-2026-{n:06}", "ship_to": receiver, "references": {}}
        )
        parcel = PARCEL.model_copy(update={"mass_g": float(chance.randint(100, 3000))})
        code = sscc("9521234", 0, n)
        made.append(parcel_fields(order, parcel, sscc=code, number=1, of=1, ship_from=SENDER))
    return made


def rate(name: str, fields: list[Fields], work: Callable[[Fields], bytes]) -> float:
    """Print and return labels a second of processor time, after a warm-up of a tenth."""
    warm = len(fields) // 10
    for one in fields[:warm]:
        work(one)
    start, size = process_time(), 0
    for one in fields[warm:]:
        size += len(work(one))
    count = len(fields) - warm
    per_second = count / (process_time() - start)
    print(f"{name:<44}{per_second:>10,.0f}{1e6 / per_second:>10,.0f}{size / count:>12,.0f}")
    return per_second


def with_printer_letters(template: Template) -> Template:
    """The parcel template with text left to the printer's own font."""
    file = Path(__file__).parents[2] / "gateway/label/templates" / f"{template.name}.toml"
    text = file.read_text("utf-8")
    return load_template(text.replace("needs =", 'letters = "printer"\nneeds =', 1), "resident")


def general_library(fields: Mapping[str, str]) -> bytes:
    """The same texts and the SSCC written by simple-zpl2; the Data Matrix is left out."""
    from simple_zpl2 import Code128_Barcode, ZPLDocument

    document = ZPLDocument()
    names = ("ship_from.name", "ship_from.street", "ship_from.place", "ship_to.name")
    names += ("ship_to.street", "ship_to.place", "ship_to.country", "ship_to.phone", "routing")
    names += ("service", "order_id", "mass_kg", "pieces", "bag_size")
    for row, name in enumerate(names):
        document.add_field_origin(32, 40 + 40 * row)
        document.add_font("0", "N", 30, 30)
        document.add_field_data(fields[name].replace("\n", " "))
    document.add_field_origin(90, 880)
    document.add_barcode_default(4, 3.0, 200)
    document.add_barcode(Code128_Barcode("00" + fields["sscc"], "N", 255, "N"))
    return bytes(document.zpl_bytes)


def pictures(fields: list[Fields]) -> None:
    """Pictures of a 4 x 6 in label, beside the independent renderer's."""
    template = builtin_template("parcel-4x6")
    print(f"\n{'picture of a 4 x 6 in label':<44}{'ms':>10}{'bytes':>22}")
    for dots_per_mm in (8.0, 300 / 25.4):
        printer = printer_for("parcel-4x6", dots_per_mm)
        for form in ("png", "svg", "pdf"):
            picture(template, fields[0], printer, form=form)
            start, size = process_time(), 0
            for one in fields[1:21]:
                size += len(picture(template, one, printer, form=form))
            spent = (process_time() - start) / 20 * 1000
            print(f"{f'{form} at {dots_per_mm:.3f} dots/mm':<44}{spent:>10.1f}{size / 20:>22,.0f}")
    if reason := ZplRenderer.missing():
        print(f"independent renderer: {reason}")
        return
    with ZplRenderer() as renderer:
        stream = make(template, fields[0], printer_for("parcel-4x6", 8.0)).content
        renderer.draw(stream, 812, 1219)
        start = perf_counter()
        for _ in range(5):
            renderer.draw(stream, 812, 1219)
        spent = (perf_counter() - start) * 200
        print(f"{'independent renderer, same label (wall)':<44}{spent:>10.1f}")


def main() -> None:
    """Print the table."""
    fields = parcels(int(sys.argv[1]) if len(sys.argv) > 1 else 3000)
    template = builtin_template("parcel-4x6")
    print(f"{'4 x 6 in parcel label, 8 dots/mm':<44}{'labels/s':>10}{'us each':>10}{'bytes':>12}")
    for name, chosen, language in (
        ("ZPL, letters as dots", template, "zpl"),
        ("ZPL, letters of the printer", with_printer_letters(template), "zpl"),
        ("EPL, letters as dots", template, "epl"),
    ):
        printer = printer_for("parcel-4x6", 8.0, language=language)
        rate(name, fields, lambda f, t=chosen, p=printer: make(t, f, p).content)  # type: ignore[misc]
    if importlib.util.find_spec("simple_zpl2"):
        rate("simple-zpl2, no layout, no checks", fields, general_library)
    else:
        print("simple-zpl2: not installed")
    rate("building the fields alone", fields, lambda _: fields_again())
    pictures(fields)


def fields_again() -> bytes:
    """The fields of one parcel, for the share that they take."""
    parcel_fields(ORDER, PARCEL, sscc=CODE, number=1, of=1, ship_from=SENDER)
    return b""


if __name__ == "__main__":
    main()
