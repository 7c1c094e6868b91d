"""What is exported reads back to what was in the ledger."""

import csv
import io
import json
import sys
from datetime import UTC, datetime, timedelta

import pyarrow.parquet
import pytest
from chains import chain
from hypothesis import given
from hypothesis import strategies as st

from gateway.ledger.export import (
    LEDGER_COLUMNS,
    Column,
    ColumnKind,
    Format,
    ParquetMissing,
    ledger_rows,
    write,
)
from schemas.ledger import LedgerEntry

ENTRIES = [
    LedgerEntry.model_validate({**json.loads(row.canonical), "hash": row.hash.hex()})
    for row in chain(5)
]
NAMES = [column.name for column in LEDGER_COLUMNS]


def exported(how: Format) -> bytes:
    out = io.BytesIO()
    assert 5 == write(how, LEDGER_COLUMNS, ledger_rows(ENTRIES), out)
    return out.getvalue()


def test_json_lines_read_back_as_the_same_entries() -> None:
    """Each line is one whole entry, nested data included."""
    lines = exported(Format.JSON_LINES).splitlines()
    assert ENTRIES == [LedgerEntry.model_validate_json(line) for line in lines]


def test_csv_reads_back_as_the_same_cells() -> None:
    """A header, then a line per entry; empty cells stay empty, data is JSON text."""
    text = exported(Format.CSV).decode()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert text.startswith(",".join(NAMES) + "\r\n")
    assert [entry.order_id for entry in ENTRIES] == [row["order_id"] for row in rows]
    assert [entry.data for entry in ENTRIES] == [json.loads(row["data"]) for row in rows]
    assert "2026-11-25T08:00:01.000000Z" == rows[0]["time"]
    assert "" == rows[1]["parcel_id"]


def test_parquet_reads_back_with_types() -> None:
    """Numbers are numbers, instants are UTC instants, data is JSON text, absent is null."""
    table = pyarrow.parquet.read_table(io.BytesIO(exported(Format.PARQUET)))
    rows = table.to_pylist()
    assert NAMES == table.column_names
    assert [1, 2, 3, 4, 5] == [row["seq"] for row in rows]
    assert ENTRIES[0].time == rows[0]["time"]
    assert ENTRIES[0].data == json.loads(rows[0]["data"])
    assert None is rows[1]["parcel_id"]


@given(st.text(max_size=30))
def test_no_text_reaches_a_spreadsheet_as_a_formula(text: str) -> None:
    """Whatever an order is called, its CSV cell never begins with a formula sign, and the text
    itself is still there."""
    out = io.BytesIO()
    encodable = text.encode("utf-8", "ignore").decode()
    write(Format.CSV, [Column("x", ColumnKind.TEXT)], [[encodable], ["next"]], out)
    rows = list(csv.reader(io.StringIO(out.getvalue().decode(), newline="")))
    cell = rows[1][0] if rows[1] else ""
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert encodable == cell.removeprefix("'") or encodable == cell


def test_negative_numbers_stay_numbers_in_csv() -> None:
    """Only texts get the apostrophe."""
    out = io.BytesIO()
    write(Format.CSV, [Column("x", ColumnKind.REAL)], [[-1.5]], out)
    assert b"x\r\n-1.5\r\n" == out.getvalue()


@pytest.mark.parametrize("how", Format)
def test_no_rows_make_an_empty_export(how: Format) -> None:
    """An empty ledger exports as a whole, readable file without rows."""
    out = io.BytesIO()
    assert 0 == write(how, LEDGER_COLUMNS, [], out)
    if how is Format.PARQUET:
        assert 0 == pyarrow.parquet.read_table(io.BytesIO(out.getvalue())).num_rows


def test_instants_of_any_zone_are_written_in_utc() -> None:
    """The same instant has one text."""
    moment = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
    out = io.BytesIO()
    column = [Column("t", ColumnKind.INSTANT)]
    write(Format.JSON_LINES, column, [[moment], [moment + timedelta(microseconds=5)]], out)
    assert b'{"t":"2026-11-25T09:00:00.000000Z"}' == out.getvalue().splitlines()[0]
    assert b'{"t":"2026-11-25T09:00:00.000005Z"}' == out.getvalue().splitlines()[1]


def test_parquet_without_its_library_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """A site without the extra gets a sentence, and no half-written file."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    out = io.BytesIO()
    with pytest.raises(ParquetMissing, match="extra `parquet`"):
        write(Format.PARQUET, LEDGER_COLUMNS, [], out)
    assert b"" == out.getvalue()
