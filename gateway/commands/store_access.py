"""How commands reach a site's store: read-only, beside a running gateway."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import typer
from sqlalchemy.engine import Connection
from sqlalchemy.exc import OperationalError


@contextmanager
def open_for_reading(site_file: Path) -> Iterator[Connection]:
    """A read-only connection to the store of a site file, or of a SQLite file itself."""
    from gateway.site_file import SiteFileWrong, load
    from gateway.store import postgres, sqlite

    if site_file.suffix in (".db", ".sqlite"):
        url = f"sqlite:///{site_file}"
    else:
        try:
            url = load(site_file).store.url
        except SiteFileWrong as wrong:
            print(wrong, file=sys.stderr)
            raise typer.Exit(2) from None
    dialect = postgres if url.startswith("postgresql") else sqlite
    engine = dialect.reading_engine(url)
    try:
        with engine.connect() as conn:
            yield conn
    except OperationalError as failure:
        print(f"The store can't be read: {failure.orig}", file=sys.stderr)
        raise typer.Exit(2) from None
    finally:
        engine.dispose()
