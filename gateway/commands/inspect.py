"""`bagrelay inspect`: what will this label print, which codes prove it, what is wrong with it?"""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.commands.printhead import dots_per_mm
from schemas.order import LabelLanguage

if TYPE_CHECKING:
    from schemas.inspection import Inspection


def inspect_label(
    file: Annotated[str, typer.Argument(help="The label's stream; - reads standard input.")],
    language: Annotated[
        LabelLanguage | None,
        typer.Option("--language", help="Left out, the stream's beginning decides."),
    ] = None,
    dpi: Annotated[
        float | None,
        typer.Option("--dpi", help="What the label was made for.", min=127, max=1270),
    ] = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture", help="Draw the label there; several get a number.", metavar="PNG"
        ),
    ] = None,
    allow: Annotated[
        list[str] | None,
        typer.Option(
            "--allow", help="A command that the site allows, such as ^DF.", metavar="NAME"
        ),
    ] = None,
) -> None:
    """Read a finished ZPL or EPL label without printing it; JSON on standard output.

    Exit code 0: nothing stands against printing it. 1: a finding is an error. 2: no such file.
    """
    from gateway.label.inspect import inspect

    try:
        content = sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()
    except OSError as wrong:
        typer.echo(f"{file}: {wrong.strerror}", err=True)
        raise typer.Exit(2) from wrong
    spoken = language or _language_of(content)
    made_for = None if dpi is None else dots_per_mm(dpi)
    found = inspect(content, spoken, dots_per_mm=made_for, allowed_commands=frozenset(allow or ()))
    sys.stdout.write(found.model_dump_json(indent=2) + "\n")
    if picture is not None:
        _draw(content, found, picture)
    raise typer.Exit(0 if found.may_print else 1)


def _draw(content: bytes, found: "Inspection", picture: Path) -> None:
    from gateway.label.errors import LabelError
    from gateway.label.supplied import draw

    for number in range(len(found.labels)):
        path = picture if number == 0 else picture.with_stem(f"{picture.stem}-{number + 1}")
        try:
            path.write_bytes(draw(content, found.language, found.dots_per_mm, number))
        except (LabelError, OSError) as refused:
            typer.echo(f"{path}: {refused}", err=True)


def _language_of(content: bytes) -> LabelLanguage:
    return LabelLanguage.ZPL if b"^XA" in content[:4000].upper() else LabelLanguage.EPL
