"""`bagrelay ledger export` and `epcis`: the ledger for other programs."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.commands.output import Out, fail, opened, progress
from gateway.commands.store_access import DEFAULT_SITE, SiteFile, reading, site_of
from gateway.ledger.export import Format

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy.engine import Connection

    from gateway.commands.output import Bar
    from gateway.ledger.epcis import EpcisSite, Event
    from schemas.ledger import LedgerEntry

_PAGE = 2000


def export(
    site_file: SiteFile = DEFAULT_SITE,
    form: Annotated[
        Format, typer.Option("--format", help="How it is written.")
    ] = Format.JSON_LINES,
    after: Annotated[int, typer.Option(min=0, help="Only entries after this number.")] = 0,
    out: Out = None,
) -> None:
    """Write the ledger's entries as a table, with those in archive files at hand.

    CSV is for spreadsheets; JSON Lines and Parquet are exact. The gateway may be running.
    Exit code 2: the store or the library for Parquet is missing.
    """
    from gateway.ledger.export import LEDGER_COLUMNS, ParquetMissing, ledger_rows, write
    from gateway.ledger.keys import archive_dir
    from gateway.ledger.whole_check import size_of

    site = site_of(site_file)
    with (
        reading(site) as conn,
        opened(out) as file,
        progress("entries", size_of(conn) - after) as bar,
    ):
        found = _entries(conn, archive_dir(site), after, bar)
        try:
            count = write(form, LEDGER_COLUMNS, ledger_rows(found), file)
        except ParquetMissing as missing:
            fail(str(missing))
    if out is not None:
        typer.echo(f"Wrote {count} entries to {out}.", err=True)


def epcis(
    site_file: SiteFile = DEFAULT_SITE,
    after: Annotated[int, typer.Option(min=0, help="Only what entries after this tell.")] = 0,
    out: Out = None,
) -> None:
    """Write what happened to parcels as one EPCIS 2.0 document (JSON-LD).

    A running gateway answers the same by pages: GET /v1/epcis/events.
    Exit code 2: the store can't be read.
    """
    import orjson

    from gateway.clock import SystemClock
    from gateway.ledger.epcis import document
    from gateway.ledger.epcis_store import epcis_site
    from gateway.ledger.whole_check import size_of

    site = site_of(site_file)
    with reading(site) as conn, progress("entries", size_of(conn)) as bar:
        events = list(_events(conn, epcis_site(site), after, bar))
    text = orjson.dumps(
        document(events, SystemClock().now()),
        option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE,
    )
    with opened(out) as file:
        file.write(text)
    if out is not None:
        typer.echo(f"Wrote {len(events)} events to {out}.", err=True)


def _entries(conn: "Connection", folder: Path, after: int, bar: "Bar") -> "Iterator[LedgerEntry]":
    from gateway.ledger import archive_file, entries
    from gateway.ledger.stored_tree import archive_rows

    at = after
    for row in archive_rows(conn):
        if row.last <= at:
            continue
        path = folder / row.file
        if not path.exists():
            typer.echo(f"Left out: entries {row.first} to {row.last}, in {path}.", err=True)
            at = row.last
            continue
        for stored in archive_file.read(path).rows():
            if stored[0] > at:
                yield entries.entry(stored[1], stored[2])
        at = row.last
        bar.at(at - after)
    while page := entries.page(conn, after=at, limit=_PAGE):
        yield from page
        at = page[-1].seq
        bar.at(at - after)


def _events(conn: "Connection", where: "EpcisSite", after: int, bar: "Bar") -> "Iterator[Event]":
    from gateway.ledger.epcis_store import epcis_page

    more = True
    while more:
        page = epcis_page(conn, where, after=after, limit=_PAGE)
        yield from page.events
        after, more = page.until, page.more
        bar.at(after)
