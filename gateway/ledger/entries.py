"""Ledger entries read from the store: by order, by parcel, or all of them in order."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from typing import cast

import orjson
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.ledger.chain import StoredRow
from gateway.store.tables import entries
from schemas.ledger import LedgerEntry

PAGE = 5000
_RAW = (
    "SELECT seq, {text}, {hash}, kind, order_id, parcel_id, job_id, station, event_id, time"
    " FROM entries WHERE seq > {mark} ORDER BY seq"
)


def entry(canonical: bytes, digest: bytes) -> LedgerEntry:
    """An entry from its canonical text and its hash."""
    return LedgerEntry.model_validate({**orjson.loads(canonical), "hash": digest.hex()})


def of_order(conn: Connection, order_id: str) -> list[LedgerEntry]:
    """Everything that the ledger holds about an order, in its order."""
    return _entries(conn, entries.c.order_id == order_id)


def of_station(conn: Connection, station: str, *, after: int, limit: int) -> list[LedgerEntry]:
    """A station's entries after a sequence number."""
    return _entries(conn, sa.and_(entries.c.station == station, entries.c.seq > after), limit)


def page(conn: Connection, *, after: int, limit: int) -> list[LedgerEntry]:
    """Entries after a sequence number, in order."""
    return _entries(conn, entries.c.seq > after, limit)


def _entries(
    conn: Connection, condition: "sa.ColumnElement[bool]", limit: int | None = None
) -> list[LedgerEntry]:
    query = sa.select(entries.c.canonical, entries.c.hash).where(condition).order_by(entries.c.seq)
    if limit is not None:
        query = query.limit(limit)
    return [entry(row.canonical, row.hash) for row in conn.execute(query)]


def stored_rows(conn: Connection, *, after: int = 0) -> Iterator[StoredRow]:
    """Every stored row after a sequence number, for the check of the chain; read in pages.

    Reads past SQLAlchemy's result rows, whose making costs more than the hashing of an entry.
    """
    if conn.dialect.name == "sqlite":
        yield from _rows_of_sqlite(conn, after)
        return
    names = {"mark": "%s", "text": "canonical", "hash": "hash"}
    # on the server: the client never holds them all
    with closing(conn.connection.cursor("stored_rows")) as cursor:
        cursor.execute(_RAW.format(**names), (after,))
        while page := cursor.fetchmany(PAGE):
            yield from cast("list[StoredRow]", page)


def _rows_of_sqlite(conn: Connection, after: int) -> Iterator[StoredRow]:
    """Whatever somebody put into a column is read, for the check to judge."""
    names = {"mark": "?", "text": "CAST(canonical AS BLOB)", "hash": "CAST(hash AS BLOB)"}
    driver = cast("sqlite3.Connection", conn.connection.driver_connection)
    usual, driver.text_factory = driver.text_factory, _any_text
    try:
        with closing(driver.cursor()) as cursor:
            cursor.execute(_RAW.format(**names), (after,))
            while page := cursor.fetchmany(PAGE):
                yield from cast("list[StoredRow]", page)
    finally:
        driver.text_factory = usual


def _any_text(stored: bytes) -> str:
    return stored.decode("utf-8", "replace")


def latest_of_station(conn: Connection, station: str, *, limit: int) -> list[LedgerEntry]:
    """A station's entries, newest first."""
    found = conn.execute(
        sa.select(entries.c.canonical, entries.c.hash)
        .where(entries.c.station == station)
        .order_by(entries.c.seq.desc())
        .limit(limit)
    )
    return [entry(row.canonical, row.hash) for row in found]
