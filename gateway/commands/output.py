"""Where a command's answer goes: a file, or standard output."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Annotated, NoReturn

import typer

Out = Annotated[
    Path | None,
    typer.Option("--out", "-o", metavar="FILE", help="Write there; else to standard output."),
]


@contextmanager
def opened(out: Path | None) -> Iterator[IO[bytes]]:
    """The file to write to; one that was not written whole does not stay."""
    if out is None:
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    draft = out.with_name(out.name + ".part")
    try:
        with draft.open("wb") as file:
            yield file
        draft.replace(out)
    except OSError as error:
        fail(f"{out} can't be written: {error.strerror}.")
    finally:
        draft.unlink(missing_ok=True)


def put(content: bytes, out: Path | None) -> None:
    """Write it and say where."""
    with opened(out) as file:
        file.write(content)
    if out is not None:
        typer.echo(f"Wrote {out}.", err=True)


def fail(text: str, code: int = 2) -> NoReturn:
    """End the command with words on standard error."""
    typer.echo(text, err=True)
    raise typer.Exit(code)


@contextmanager
def progress(what: str, total: int, *, quiet: bool = False) -> Iterator["Bar"]:
    """A bar on standard error, where a person looks at it."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    console = Console(stderr=True)
    if quiet or not console.is_terminal or not total:
        yield Bar()
        return
    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bars:
        task = bars.add_task(what, total=total)
        yield Bar(lambda done, of: bars.update(task, completed=done, total=of or total))


class Bar:
    """Told how far the work is; shows it or not."""

    def __init__(self, show: Callable[[int, int], None] | None = None) -> None:
        self._show = show

    def at(self, done: int) -> None:
        """So much is done."""
        if self._show is not None:
            self._show(done, 0)

    def part(self, done: int, of: int) -> None:
        """So much of so much is done."""
        if self._show is not None:
            self._show(done, of)
