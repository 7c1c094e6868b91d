"""How commands reach a site's store: read-only, beside a running gateway; or alone, to write."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

    from gateway.store.store import Store
    from schemas.site import Site

SiteFile = Annotated[
    Path,
    typer.Option("--site", metavar="SITE.toml", help="The site file, or a SQLite store itself."),
]
DEFAULT_SITE = Path("site.toml")
_STORE_ENDINGS = (".db", ".sqlite")


def site_of(site_file: Path) -> "Site":
    """The site of a site file; of a SQLite file alone, a site that has but this store."""
    from gateway.site_file import SiteFileWrong, load
    from schemas.site import Gs1Settings, Site, StoreSettings

    if site_file.suffix in _STORE_ENDINGS:
        return Site(
            name=site_file.stem,
            gs1=Gs1Settings(company_prefix="0000"),
            store=StoreSettings(url=f"sqlite:///{site_file}"),
            station=(),
        )
    try:
        return load(site_file)
    except SiteFileWrong as wrong:
        print(wrong, file=sys.stderr)
        raise typer.Exit(2) from None


@contextmanager
def open_for_reading(site_file: Path) -> Iterator["Connection"]:
    """A read-only connection to the store of a site file, or of a SQLite file itself."""
    with reading(site_of(site_file)) as conn:
        yield conn


@contextmanager
def reading(site: "Site") -> Iterator["Connection"]:
    """A read-only connection to the site's store that sees one state of it all along."""
    from sqlalchemy.exc import OperationalError, ProgrammingError

    from gateway.store import postgres, sqlite

    url = site.store.url
    shared = url.startswith("postgresql")
    engine = (postgres if shared else sqlite).reading_engine(url)
    try:
        with engine.connect() as conn, conn.begin():
            yield conn
    except (OperationalError, ProgrammingError) as failure:
        print(f"The store can't be read: {failure.orig}", file=sys.stderr)
        if "no such table" in str(failure.orig) or "does not exist" in str(failure.orig):
            print("Its tables are of another release: start the gateway once.", file=sys.stderr)
        raise typer.Exit(2) from None
    finally:
        engine.dispose()


@contextmanager
def writing(site: "Site") -> Iterator["Store"]:
    """The site's store, open to write. A SQLite store is refused while a gateway runs on it."""
    from gateway.clock import SystemClock
    from gateway.errors import NotStored
    from gateway.store import sqlite
    from gateway.store.store import Store

    if not site.store.url.startswith("postgresql"):
        path = sqlite.file_of(site.store.url)
        if not path.exists():
            print(f"There is no store {path}.", file=sys.stderr)
            raise typer.Exit(2)
    store = Store(site.store.url, SystemClock())
    try:
        store.start()
        yield store
    except NotStored as refused:
        print(refused.detail, file=sys.stderr)
        raise typer.Exit(2) from None
    finally:
        store.close()
