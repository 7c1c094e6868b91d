"""The ledger and the figures as CSV, JSON Lines or Parquet, row by row, for other programs.

JSON Lines and Parquet are exact. CSV goes into spreadsheets, which take a text that begins with
= + - @ for a formula: such a text gets an apostrophe in front, so that an order number can't run
anything on somebody's desk (common practice).
"""

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from itertools import islice
from typing import IO, Any

import orjson
from pydantic import JsonValue

from schemas.ledger import LedgerEntry

_BATCH = 10_000
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class Format(StrEnum):
    """How rows are written."""

    CSV = "csv"
    JSON_LINES = "jsonl"
    PARQUET = "parquet"


MEDIA_TYPE = {
    Format.CSV: "text/csv; charset=utf-8",
    Format.JSON_LINES: "application/jsonl",
    Format.PARQUET: "application/vnd.apache.parquet",
}


class ColumnKind(StrEnum):
    """What a column holds; every cell may be empty (None)."""

    INTEGER = "integer"
    REAL = "real"
    TEXT = "text"
    INSTANT = "instant"
    """An aware datetime."""
    JSON = "json"
    """Nested in JSON Lines, JSON text in CSV and Parquet."""


@dataclass(frozen=True, slots=True)
class Column:
    """A named column."""

    name: str
    kind: ColumnKind


Cell = int | float | str | datetime | dict[str, JsonValue] | None
Row = Sequence[Cell]


class ParquetMissing(RuntimeError):
    """Parquet was asked for and the library that writes it is not installed."""


LEDGER_COLUMNS = (
    Column("seq", ColumnKind.INTEGER),
    Column("time", ColumnKind.INSTANT),
    Column("kind", ColumnKind.TEXT),
    Column("order_id", ColumnKind.TEXT),
    Column("parcel_id", ColumnKind.TEXT),
    Column("job_id", ColumnKind.TEXT),
    Column("station", ColumnKind.TEXT),
    Column("event_id", ColumnKind.TEXT),
    Column("actor", ColumnKind.TEXT),
    Column("data", ColumnKind.JSON),
    Column("prev", ColumnKind.TEXT),
    Column("hash", ColumnKind.TEXT),
)


def ledger_rows(entries: Iterable[LedgerEntry]) -> Iterator[Row]:
    """Give entries as rows of `LEDGER_COLUMNS`."""
    for entry in entries:
        yield (
            entry.seq,
            entry.time,
            entry.kind.value,
            entry.order_id,
            entry.parcel_id,
            entry.job_id,
            entry.station,
            entry.event_id,
            entry.actor,
            entry.data,
            entry.prev,
            entry.hash,
        )


def write(how: Format, columns: Sequence[Column], rows: Iterable[Row], out: IO[bytes]) -> int:
    """Write the rows to `out`, holding some thousands at a time; return how many there were.

    Raises `ParquetMissing` before anything is written.
    """
    writers: dict[Format, Callable[[Sequence[Column], Iterable[Row], IO[bytes]], int]] = {
        Format.CSV: _write_csv,
        Format.JSON_LINES: _write_json_lines,
        Format.PARQUET: _write_parquet,
    }
    return writers[how](columns, rows, out)


def _write_csv(columns: Sequence[Column], rows: Iterable[Row], out: IO[bytes]) -> int:
    """RFC 4180: comma, CRLF, quotes where needed, a header line; UTF-8."""
    text = io.TextIOWrapper(out, encoding="utf-8", newline="", write_through=True)
    try:
        writer = csv.writer(text)
        writer.writerow([column.name for column in columns])
        count = 0
        for row in rows:
            writer.writerow([_csv_cell(cell) for cell in row])
            count += 1
        return count
    finally:
        text.detach()


def _csv_cell(cell: Cell) -> str | int | float | None:
    if isinstance(cell, datetime):
        return _instant(cell)
    if isinstance(cell, dict):
        return orjson.dumps(cell).decode()
    if isinstance(cell, str) and cell.startswith(_FORMULA):
        return "'" + cell
    return cell


def _write_json_lines(columns: Sequence[Column], rows: Iterable[Row], out: IO[bytes]) -> int:
    names = [column.name for column in columns]
    count = 0
    for row in rows:
        cells = [_instant(cell) if isinstance(cell, datetime) else cell for cell in row]
        out.write(
            orjson.dumps(dict(zip(names, cells, strict=True)), option=orjson.OPT_APPEND_NEWLINE)
        )
        count += 1
    return count


def _write_parquet(columns: Sequence[Column], rows: Iterable[Row], out: IO[bytes]) -> int:
    try:
        import pyarrow as arrow
        from pyarrow import parquet
    except ImportError as error:
        raise ParquetMissing(
            "Parquet needs the library pyarrow: install the extra `parquet`, or export as jsonl."
        ) from error
    types: dict[ColumnKind, Any] = {
        ColumnKind.INTEGER: arrow.int64(),
        ColumnKind.REAL: arrow.float64(),
        ColumnKind.TEXT: arrow.string(),
        ColumnKind.INSTANT: arrow.timestamp("us", tz="UTC"),
        ColumnKind.JSON: arrow.string(),
    }
    schema = arrow.schema([(column.name, types[column.kind]) for column in columns])
    source = iter(rows)
    count = 0
    with parquet.ParquetWriter(out, schema, compression="zstd") as writer:
        while batch := list(islice(source, _BATCH)):
            cells = (
                [_parquet_cell(cell) for cell in column] for column in zip(*batch, strict=True)
            )
            arrays = [arrow.array(c, f.type) for c, f in zip(cells, schema, strict=True)]
            writer.write_table(arrow.Table.from_arrays(arrays, schema=schema))
            count += len(batch)
    return count


def _parquet_cell(cell: Cell) -> Cell:
    return orjson.dumps(cell).decode() if isinstance(cell, dict) else cell


def _instant(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
