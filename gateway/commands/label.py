"""`bagrelay label`: make a label from a template, or see which templates there are."""

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.commands.printhead import Dpi, dots_per_mm
from schemas.order import LabelLanguage

if TYPE_CHECKING:
    from gateway.label import Template
    from gateway.label.picture import Form

_PICTURES: "dict[str, Form]" = {".png": "png", ".svg": "svg", ".pdf": "pdf"}


def label(
    template: Annotated[
        str | None,
        typer.Argument(help="A template's name or file; left out, lists those that come along."),
    ] = None,
    fields_file: Annotated[
        Path | None,
        typer.Option("--fields", help="JSON object of texts for the template's fields."),
    ] = None,
    order_file: Annotated[
        Path | None, typer.Option("--order", help="An order as JSON; its fields are filled in.")
    ] = None,
    sets: Annotated[
        list[str] | None, typer.Option("--set", help="One field.", metavar="NAME=TEXT")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="A .png, .svg or .pdf, or the stream; else standard output."),
    ] = None,
    language: Annotated[
        LabelLanguage, typer.Option("--language", help="What the printer speaks.")
    ] = LabelLanguage.ZPL,
    dpi: Dpi = 203,
    size_mm: Annotated[
        tuple[float, float] | None,
        typer.Option("--size", help="Width and height of the label loaded, in mm."),
    ] = None,
) -> None:
    """Make one label and send it nowhere. Fields that were not given come out empty, and are named.

    Exit code 0: made. 1: the label was refused, and why. 2: a file is missing or wrong.
    """
    from gateway.label import LabelError

    try:
        if template is None:
            _list()
            return
        chosen = _template(template)
        fields = _fields(chosen, fields_file, order_file, sets or [])
        content = _made(chosen, fields, out, (language, dots_per_mm(dpi), size_mm))
    except LabelError as refused:
        typer.echo(str(refused), err=True)
        raise typer.Exit(1) from refused
    except (OSError, ValueError) as wrong:
        typer.echo(str(wrong), err=True)
        raise typer.Exit(2) from wrong
    if out is None:
        sys.stdout.buffer.write(content)
    else:
        out.write_bytes(content)


def _list() -> None:
    from gateway.label import builtin_names, builtin_template

    for name in builtin_names():
        body = builtin_template(name).body
        typer.echo(f"{name:<14} {body.width_mm:g} x {body.height_mm:g} mm  {body.title}")


def _template(name: str) -> "Template":
    from gateway.label import builtin_template, load_template

    path = Path(name)
    if path.suffix == ".toml":
        return load_template(path.read_text("utf-8"), path.stem)
    return builtin_template(name)


def _fields(
    template: "Template", fields_file: Path | None, order_file: Path | None, sets: list[str]
) -> dict[str, str]:
    from gateway.label import order_fields
    from gateway.label.template import field_names
    from schemas.order import Order

    fields: dict[str, str] = {}
    if order_file is not None:
        fields.update(order_fields(Order.model_validate_json(order_file.read_bytes())))
    if fields_file is not None:
        given = json.loads(fields_file.read_text("utf-8"))
        if not isinstance(given, dict):
            raise ValueError(f"{fields_file}: is no JSON object of texts")
        fields.update({str(name): str(text) for name, text in given.items()})
    for one in sets:
        name, equals, text = one.partition("=")
        if not equals:
            raise ValueError(f"--set takes NAME=TEXT, not {one!r}")
        fields[name] = text
    if missing := sorted(field_names(template) - fields.keys()):
        typer.echo(f"left empty: {', '.join(missing)}", err=True)
    return {**dict.fromkeys(missing, ""), **fields}


def _made(
    template: "Template",
    fields: dict[str, str],
    out: Path | None,
    printer_settings: tuple[LabelLanguage, float, tuple[float, float] | None],
) -> bytes:
    from gateway.label import make, picture
    from schemas.station import Printer

    language, per_mm, size_mm = printer_settings
    width, height = size_mm or (template.body.width_mm, template.body.height_mm)
    printer = Printer(
        language=language,
        dots_per_mm=per_mm,
        label_width_mm=width,
        label_height_mm=height,
        head_width_mm=max(width, 104.0),
    )
    form = _PICTURES.get(out.suffix.lower()) if out else None
    if form is not None:
        return picture(template, fields, printer, form=form)
    made = make(template, fields, printer)
    for scan in made.expected_scans:
        typer.echo(f"must be read from it: {scan!r}", err=True)
    return made.content
