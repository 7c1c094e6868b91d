"""Fills a store with many orders that are done: copies of one real order under other names.

One order goes through a real gateway, from its scan to the verifying scan of its label. Its rows,
and its ledger entries among them, are then written again and again with other ids, stations and
times, and with their payloads erased, as they are after their time. The hashes are not made anew:
these rows are for timing queries, and their chain does not verify.
"""

import asyncio
import json
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from gateway.app import build
from gateway.clock import instant_text
from gateway.intake.envelope import read_structured
from gateway.ledger.merkle import CompactRange
from gateway.store.tables import metadata
from schemas.job import JobState
from schemas.site import Site
from tests.bench.http_load import Requests, order_body

STATIONS = 20
BEGIN = datetime(2026, 1, 5, 6, tzinfo=UTC)
BETWEEN = timedelta(seconds=6)
"""From one order to the next: a room of 600 an hour."""
_TABLES = ("events", "orders", "order_articles", "parcels", "labels", "jobs", "codes", "entries")
_ERASED = {("events", "raw"), ("orders", "content"), ("labels", "content")}
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")
_MODEL = 700_000_007
"""The number in the one real order's ids."""
FIRST = 10
"""Numbers begin here: the ledger of the one real order lies before."""

Row = tuple[object, ...]


def site_of(url: str, port: int = 9, stations: int = STATIONS) -> Site:
    """A room whose stations all print at one port of this machine."""
    line = {"kind": "tcp", "options": {"host": "127.0.0.1", "port": port}}
    return Site.model_validate(
        {
            "name": "bench",
            "gs1": {"company_prefix": "9521234"},
            "store": {"url": url},
            "access": {"open_door": True},
            "film": [{"id": "f", "thickness_um": 60}],
            "bag": [
                {
                    "id": "b300",
                    "form": "pre_opened",
                    "film": "f",
                    "width_mm": 300,
                    "length_mm": 420,
                }
            ],
            "station": [
                {
                    "id": f"st{number:03d}",
                    "lines": [line],
                    "loaded": [{"bag": "b300"}],
                    "max_lane": 10_000,
                }
                for number in range(stations)
            ],
        }
    )


def scan_at(requests: Requests, number: int, stations: int) -> bytes:
    """The scan of the order of a number, at one of so many stations."""
    station = b'"station": "st%03d"' % (number % stations)
    return re.sub(rb'"station": "s\d+"', station, requests.next_body(number))


@dataclass(frozen=True, slots=True)
class Order:
    """The ids of the order of a number."""

    number: int

    def words(self) -> dict[str, str]:
        """What stands in for each part of the pattern."""
        scrambled = self.number * 0x9E3779B97F4A7C15 % 2**64  # ids come in no order, as real ones
        return {
            "number": f"{self.number:09d}",
            "hex": f"{scrambled:016x}",
            "sscc": f"{self.number:018d}",
            "station": f"st{self.number % STATIONS:03d}",
            "time": instant_text(self.at),
        }

    @property
    def at(self) -> datetime:
        """When it was scanned."""
        return BEGIN + self.number * BETWEEN


class Pattern:
    """The rows of one real order, with gaps where ids and times stood."""

    def __init__(self, url: str) -> None:
        asyncio.run(_one_order(url))
        engine = sa.create_engine(_driver(url))
        with engine.connect() as conn:
            rows = {name: _rows(conn, name) for name in _TABLES}
        engine.dispose()
        (job,) = rows["jobs"]
        self._gaps = [
            (str(_MODEL), "%(number)s"),
            (str(job["sscc"]), "%(sscc)s"),
            (str(job["job_id"])[2:], "%(hex)s"),
            (str(job["parcel_id"])[2:], "%(hex)s"),
            (str(job["label_sha256"]), "%(hex)s" * 4),
            ("st000", "%(station)s"),
        ]
        self._rows = {
            name: [[self._gapped(name, *cell) for cell in row.items()] for row in found]
            for name, found in rows.items()
        }
        self.columns = {name: [c.name for c in metadata.tables[name].columns] for name in _TABLES}
        self.entries = len(rows["entries"])

    def _gapped(self, table: str, column: str, value: object) -> object:
        if (table, column) in _ERASED:
            return None
        if column in ("seq", "lane_position"):
            return int
        text = value.decode() if isinstance(value, bytes) and column == "canonical" else value
        if not isinstance(text, str):
            return value
        text = text.replace("%", "%%")
        for word, gap in self._gaps:
            text = text.replace(word, gap)
        text = re.sub(r'"seq":\d+', '"seq":%(seq)s', _TIME.sub("%(time)s", text))
        return _Blob(text) if column == "canonical" else text

    def rows(self, table: str, numbers: range) -> Iterator[Row]:
        """The rows of a table for the orders of these numbers."""
        for number in numbers:
            words = Order(number).words()
            for place, row in enumerate(self._rows[table]):
                seq = number * self.entries + place + 1
                words["seq"] = str(seq)
                yield tuple([_filled(cell, words, seq) for cell in row])


class _Blob(str):
    """Text that stands in a column of bytes."""

    __slots__ = ()


def _filled(cell: object, words: dict[str, str], number: int) -> object:
    if isinstance(cell, str):
        text = cell % words
        return text.encode() if isinstance(cell, _Blob) else text
    return number if cell is int else cell


async def _one_order(url: str) -> None:
    """From the scan to the verified label."""

    async def swallow(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while await reader.read(65536):
            pass
        writer.close()

    sink = await asyncio.start_server(swallow, "127.0.0.1", 0)
    gateway = build(site_of(url, sink.sockets[0].getsockname()[1], 1), environment={})
    await gateway.start()
    try:
        body = scan_at(Requests(order_body(), ""), _MODEL, 1)
        await gateway.intake.accept(read_structured(body), actor="bench")
        job = await _job_in(gateway.store.read_now, JobState.SENT)
        code = _scans(job["expected_scans"])[0]
        scan = (
            b'{"specversion":"1.0","id":"scan-%d","source":"/bench",'
            b'"type":"bagrelay.label.scanned.v1","data":{"station":"st000","code":"%s"}}'
        ) % (_MODEL, code.encode())
        await gateway.intake.accept(read_structured(scan), actor="bench")
        await _job_in(gateway.store.read_now, JobState.VERIFIED)
    finally:
        await gateway.stop()
        sink.close()


def _scans(stored: object) -> list[str]:
    found: list[str] = json.loads(str(stored))
    return found


async def _job_in(read: Any, state: JobState) -> dict[str, Any]:
    for _ in range(2000):
        row = read(lambda conn: conn.execute(sa.select(metadata.tables["jobs"])).one_or_none())
        if row is not None and row.state == state.value:
            return dict(row._mapping)
        await asyncio.sleep(0.005)
    raise SystemExit(f"the order's job did not come to be {state}")


def _rows(conn: Connection, table: str) -> list[dict[str, Any]]:
    # past the column types: what stands in the tables is what is written again
    key = " WHERE order_id IS NOT NULL ORDER BY seq" if table == "entries" else ""
    found = conn.exec_driver_sql(f"SELECT * FROM {table}{key}")
    columns = [c.name for c in metadata.tables[table].columns]
    return [{name: row._mapping[name] for name in columns} for row in found]


# ---- writing ----------------------------------------------------------------------------------


def fill(engine: Engine, pattern: Pattern, numbers: range) -> None:
    """Write the orders of these numbers; indexes are made anew afterwards."""
    with engine.connect() as conn:
        indexes = _drop_indexes(conn)
        for table in _TABLES:
            _write(conn, table, pattern.columns[table], pattern.rows(table, numbers))
        size = numbers.stop * pattern.entries
        peaks = CompactRange(size, [bytes(32)] * size.bit_count())
        conn.exec_driver_sql(f"UPDATE ledger_head SET size = {size}, range = '{peaks.serialise()}'")
        conn.exec_driver_sql(f"UPDATE counters SET value = {size} WHERE name = 'lane'")
        for index in indexes:
            conn.exec_driver_sql(index)
        conn.commit()
        if conn.dialect.name == "postgresql":
            conn.exec_driver_sql("ANALYZE")  # which it does by itself sooner or later
        conn.commit()
    os.sync()  # the next commit must not wait for all of this


def _drop_indexes(conn: Connection) -> Sequence[str]:
    """Drop the indexes of our tables that no constraint needs; the statements that make them."""
    if conn.dialect.name == "sqlite":
        listed = "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL"
        found = [(f"DROP INDEX {name}", sql) for name, sql in conn.exec_driver_sql(listed)]
    else:
        listed = (
            "SELECT i.indexname, i.indexdef FROM pg_indexes i LEFT JOIN pg_constraint c"
            " ON c.conname = i.indexname WHERE i.schemaname = 'public' AND c.conname IS NULL"
        )
        found = [(f"DROP INDEX {name}", sql) for name, sql in conn.exec_driver_sql(listed)]
    for drop, _ in found:
        conn.exec_driver_sql(drop)
    return [sql for _, sql in found]


def _write(conn: Connection, table: str, columns: Sequence[str], rows: Iterator[Row]) -> None:
    named = ", ".join(f'"{name}"' for name in columns)
    if conn.dialect.name == "sqlite":
        marks = ", ".join("?" * len(columns))
        conn.connection.driver_connection.executemany(  # type: ignore[union-attr]
            f"INSERT INTO {table} ({named}) VALUES ({marks})",
            rows,
        )
        return
    cursor = conn.connection.cursor()
    with cursor.copy(f"COPY {table} ({named}) FROM STDIN") as copy:
        for row in rows:
            copy.write_row(row)


def filling_engine(url: str) -> Engine:
    """A connection that writes fast and keeps nothing safe."""
    engine = sa.create_engine(_driver(url))
    if engine.dialect.name == "sqlite":

        @sa.event.listens_for(engine, "connect")
        def _fast(connection: Any, _record: object) -> None:
            for pragma in (
                "journal_mode=OFF",
                "synchronous=OFF",
                "foreign_keys=OFF",
                "cache_size=-2000000",
            ):
                connection.execute(f"PRAGMA {pragma}")

    return engine


def _driver(url: str) -> str:
    return str(url).replace("postgresql://", "postgresql+psycopg://")


def store_bytes(url: str) -> int:
    """How large the store is."""
    if url.startswith("sqlite"):
        return Path(url.removeprefix("sqlite:///")).stat().st_size
    engine = sa.create_engine(_driver(url))
    with engine.connect() as conn:
        asked = conn.exec_driver_sql("SELECT pg_database_size(current_database())")
        size: int = asked.scalar_one()
    engine.dispose()
    return size
