"""`bagrelay study`: replay past orders to choose bag sizes, forms, stock and stations."""

import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.commands.output import fail, progress

if TYPE_CHECKING:
    from gateway.study import Past, Questions
    from schemas.site import Site
    from schemas.study import StudyFile

_SHOWN_LINES = 5


def study(
    orders: Annotated[
        str,
        typer.Argument(help="Past orders, one JSON object a line; - reads standard input."),
    ],
    site_file: Annotated[Path, typer.Option("--site", help="The site file.", metavar="SITE.toml")],
    study_file: Annotated[
        Path,
        typer.Option("--study", help="The study: candidates and questions.", metavar="STUDY.toml"),
    ],
    as_json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")] = False,
    csv: Annotated[
        Path | None, typer.Option("--csv", help="Also write the curve as CSV.", metavar="FILE")
    ] = None,
) -> None:
    """Replay past orders through the fit: which bag sizes to stock, what each further size gains,
    pre-opened bags against tubing and film made to size, how many stations, how much to order.

    A line is an order as `bagrelay fit` takes it, or {"at": TIME, "order": ORDER}, or the event of
    its scan. Nothing is packed and nothing is kept; names and addresses are not looked at.

    Exit code 0: every line was used. 1: some were no orders; they were left out and are named.
    2: the study can't be made; the text says what to mend.
    """
    from zoneinfo import ZoneInfo

    from gateway.clock import SystemClock
    from gateway.commands.study_tables import curve_csv, show
    from gateway.study import StudyWrong, questions_of
    from gateway.study import study as answered

    site, asked = _site(site_file), _asked(study_file)
    try:
        zone = ZoneInfo(site.time_zone)
    except KeyError:
        fail(f"{site_file}: no time zone is called {site.time_zone!r}; `bagrelay check` helps")
    try:
        questions = questions_of(asked, site)
        past, unreadable = _past(orders, questions)
        with progress("replaying orders", total=len(past.contents)) as bar:
            today = SystemClock().now().date()
            answer = answered(past, questions, zone, on=today, told=bar.part)
    except StudyWrong as wrong:
        fail(str(wrong))
    if csv is not None:
        _write(csv, curve_csv(answer))
    if as_json:
        typer.echo(answer.model_dump_json(indent=2))
    else:
        show(answer)
    raise typer.Exit(1 if unreadable else 0)


def _site(site_file: Path) -> "Site":
    from gateway.site_file import SiteFileWrong, load

    try:
        return load(site_file)
    except SiteFileWrong as wrong:
        fail(str(wrong))


def _asked(study_file: Path) -> "StudyFile":
    """The questions, or the end of the command with each fault and its line."""
    from pydantic import ValidationError

    from gateway import toml_places
    from schemas.study import StudyFile

    try:
        text = study_file.read_text(encoding="utf-8-sig")
        found = tomllib.loads(text)
    except OSError as wrong:
        fail(f"{study_file}: {wrong.strerror}")
    except ValueError as wrong:
        fail(f"{study_file}: not TOML: {wrong}")
    try:
        return StudyFile.model_validate(found)
    except ValidationError as wrong:
        lines = toml_places.places(text)
        faults = []
        for fault in wrong.errors(include_url=False):
            path = fault["loc"]
            line = next(lines[path[:n]] for n in range(len(path), -1, -1) if path[:n] in lines)
            where = ".".join(map(str, path)) or "the file"
            faults.append(f"{study_file}:{line}: {where}: {fault['msg']}")
        fail("\n".join(faults))


def _past(orders: str, questions: "Questions") -> "tuple[Past, int]":
    """All orders of a file, and how many lines were none."""
    from gateway.study import Gathering, StudyWrong, past_order_of

    gathering, unreadable = Gathering(questions.room.rules), 0
    for number, line in _lines(orders):
        try:
            past = past_order_of(line)
        except StudyWrong as wrong:
            unreadable += 1
            if unreadable <= _SHOWN_LINES:
                typer.echo(f"{orders}:{number}: left out: {wrong}", err=True)
            continue
        if past is not None:
            gathering.take(past)
    if unreadable > _SHOWN_LINES:
        typer.echo(f"{orders}: {unreadable} lines in all were no orders and left out", err=True)
    return gathering.done(), unreadable


def _lines(orders: str) -> Iterator[tuple[int, bytes]]:
    """Lines with their numbers, one at a time; blank lines say nothing."""
    try:
        if orders == "-":
            yield from ((n, line) for n, line in enumerate(sys.stdin.buffer, 1) if line.strip())
            return
        with (
            Path(orders).open("rb") as source,
            progress("reading orders", total=Path(orders).stat().st_size) as bar,
        ):
            read = 0
            for number, line in enumerate(source, 1):
                read += len(line)
                bar.at(read)
                if line.strip():
                    yield number, line
    except OSError as wrong:
        fail(f"{orders}: {wrong.strerror}")


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as wrong:
        fail(f"{path} can't be written: {wrong.strerror}")
    typer.echo(f"Wrote {path}.", err=True)
