"""Passing over what is well never changes the verdict: the long way alone is the measure."""

from collections.abc import Iterator
from dataclasses import asdict, replace

import pytest
import sqlalchemy as sa
from chains import KEY, Row, chain, checkpoint_of, entry, renumbered, sealed
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.engine import Connection

from gateway.ledger import quick_check
from gateway.ledger.chain import START, ChainFault, ChainReport, verify
from gateway.ledger.entries import stored_rows
from gateway.ledger.quick_check import pass_over
from gateway.store.tables import entries
from schemas.ledger import Checkpoint

SIZE = 14
SIGNED = (4, 9, 9, 14)


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a short chain have several blocks."""
    monkeypatch.setattr(quick_check, "_BLOCK", 3)


def stored(rows: list[Row]) -> Iterator[Connection]:
    """A store that holds these rows."""
    engine = sa.create_engine("sqlite://")
    with engine.connect() as conn:
        entries.create(conn)
        for row in rows:
            names = ", ".join(asdict(row))
            marks = ", ".join("?" * len(asdict(row)))
            conn.exec_driver_sql(
                f"INSERT INTO entries ({names}) VALUES ({marks})", tuple(asdict(row).values())
            )
        yield conn
    engine.dispose()


def both(conn: Connection, signed: list[Checkpoint]) -> tuple[ChainReport, ChainReport, int]:
    """The verdict with and without passing over, and up to where was passed over."""
    passed = pass_over(conn, START, signed)
    rest = verify(
        stored_rows(conn, after=passed.head.seq),
        start=passed.head,
        checkpoints=signed[passed.checkpoints :],
    )
    quick = replace(rest, entries=rest.head.seq, checkpoints=rest.checkpoints + passed.checkpoints)
    return quick, verify(stored_rows(conn), checkpoints=signed), passed.head.seq


def signed_of(rows: list[Row]) -> list[Checkpoint]:
    """Checkpoints over the rows, two of one size."""
    return [checkpoint_of(rows[:size], key=KEY) for size in SIGNED]


def test_whole_ledger_is_passed_over() -> None:
    rows = chain(SIZE)
    for conn in stored(rows):
        quick, slow, passed = both(conn, signed_of(rows))
        assert passed == SIZE
        assert quick == slow
        assert (quick.entries, quick.checkpoints) == (SIZE, len(SIGNED))


@given(
    at=st.integers(0, SIZE - 1),
    column=st.sampled_from(
        ["canonical", "hash", "kind", "order_id", "parcel_id", "job_id", "station", "time"]
    ),
    value=st.one_of(
        st.text(st.characters(codec="utf-8"), max_size=8),
        st.binary(max_size=33),
        st.sampled_from(['x","kind":"y', '","station":"bench-1', "bench-1"]),
    ),
)
def test_changed_row_gets_the_same_verdict(at: int, column: str, value: str | bytes) -> None:
    rows = chain(SIZE)
    signed = signed_of(rows)
    rows[at] = replace(rows[at], **{column: value})  # type: ignore[arg-type]
    for conn in stored(rows):
        quick, slow, passed = both(conn, signed)
        assert quick == slow
        assert slow.first_bad_seq is None or passed < slow.first_bad_seq


@pytest.mark.parametrize("column", ["kind", "order_id", "time"])
def test_column_of_no_text_gets_the_same_verdict(column: str) -> None:
    rows = chain(SIZE)
    signed = signed_of(rows)
    for conn in stored(rows):
        conn.exec_driver_sql(f"UPDATE entries SET {column} = CAST(x'ff61' AS TEXT) WHERE seq = 8")
        quick, slow, passed = both(conn, signed)
        assert quick == slow
        assert (slow.fault, slow.first_bad_seq) == (ChainFault.COLUMN, 8)
        assert passed < 8


@given(at=st.integers(1, SIZE), gone=st.integers(1, 3), close=st.booleans())
def test_removed_rows_get_the_same_verdict(at: int, gone: int, close: bool) -> None:
    rows = chain(SIZE)
    signed = signed_of(rows)
    left = rows[: at - 1] + rows[at - 1 + gone :]
    for conn in stored(renumbered(left) if close else left):
        quick, slow, _ = both(conn, signed)
        assert quick == slow
        assert not quick.ok


@given(at=st.integers(1, SIZE))
def test_ledger_that_was_written_anew_gets_the_same_verdict(at: int) -> None:
    signed = signed_of(chain(SIZE))
    for conn in stored(chain(SIZE, changed=at)):
        quick, slow, passed = both(conn, signed)
        assert quick == slow
        assert not quick.ok
        assert passed < at


@given(name=st.text(st.characters(codec="utf-8"), max_size=20))
def test_name_in_any_script_is_no_fault(name: str) -> None:
    rows = chain(2)
    rows.append(sealed(entry(3, rows[-1].hash.hex(), order_id=name, station=name)))
    for conn in stored(rows):
        quick, slow, _ = both(conn, [])
        assert quick == slow
        assert quick.ok
