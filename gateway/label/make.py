"""A label from a template, for one printer, or its picture."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from gateway.label import epl, zpl
from gateway.label import picture as pictures
from gateway.label.compile import Compiled, compile_template
from gateway.label.template import Template
from schemas.order import LabelLanguage
from schemas.station import Media, Printer

_SAME_SIZE_MM = 0.05


@dataclass(frozen=True, slots=True)
class MadeLabel:
    """A label ready to send."""

    language: LabelLanguage
    content: bytes
    width_mm: float
    height_mm: float
    expected_scans: tuple[str, ...]
    """What a scanner reports of each code that must be read, once the symbology is dealt with:
    no AIM identifier, no leading FNC1, GS (0x1D) between GS1 elements, check digits included.
    A scan may come with an AIM identifier such as `]C1`: strip it with `gs1.without_aim`."""
    sha256: str


def make(template: Template, fields: Mapping[str, str], printer: Printer) -> MadeLabel:
    """The label in the printer's language. Raises a `LabelError` that says what is in the way."""
    compiled = compile_template(template, printer)
    placed, scans = compiled.place(fields)
    if printer.language == LabelLanguage.ZPL:
        content = zpl.document(compiled.sheet, _fixed_zpl(template, printer), placed)
    else:
        gap_mm = 0.0 if printer.media is Media.ON_FILM else printer.gap_mm
        fixed = _fixed_epl(template, printer)
        content = epl.document(compiled.sheet, fixed, placed, gap_mm=gap_mm)
    width, height = _size_mm(compiled, printer)
    digest = hashlib.sha256(content).hexdigest()
    return MadeLabel(printer.language, content, width, height, scans, digest)


def picture(
    template: Template, fields: Mapping[str, str], printer: Printer, *, form: pictures.Form
) -> bytes:
    """The label as PNG, SVG or PDF: the dots that the printer prints. Raises a `LabelError`.

    Text that is sent to the printer's own font is drawn with ours, in the same place and size.
    """
    compiled = compile_template(template, printer)
    placed, _ = compiled.place(fields)
    image = pictures.draw(compiled.sheet, (*compiled.fixed, *placed))
    return pictures.written(image, compiled.sheet.dots_per_mm, form)


@lru_cache(maxsize=256)
def _fixed_zpl(template: Template, printer: Printer) -> str:
    return zpl.compact(compile_template(template, printer).fixed)


@lru_cache(maxsize=256)
def _fixed_epl(template: Template, printer: Printer) -> bytes:
    compiled = compile_template(template, printer)
    return epl.fields(compiled.sheet, compiled.fixed)


def _size_mm(compiled: Compiled, printer: Printer) -> tuple[float, float]:
    """The label's own size where the sheet fills it, for the finding of a wrong stock."""
    d = compiled.sheet.dots_per_mm
    width, height = compiled.sheet.width / d, compiled.sheet.height / d
    reach = min(printer.label_width_mm, printer.head_width_mm)
    whole = 1 / d + _SAME_SIZE_MM
    return (
        reach if abs(width - reach) < whole else width,
        printer.label_height_mm if abs(height - printer.label_height_mm) < whole else height,
    )
