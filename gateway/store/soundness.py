"""Is a store sound? Its pages, its tables, and that its parts agree about the ledger's end."""

from collections.abc import Iterator

import sqlalchemy as sa
from alembic.script import ScriptDirectory
from sqlalchemy.engine import Connection

from gateway.store.migrate import config
from gateway.store.tables import entries, ledger_head
from gateway.store.work import LedgerTail

_FINDINGS = 20


def unsound(conn: Connection) -> Iterator[str]:
    """Say what is wrong, one sentence a finding; nothing where all is well.

    The chain itself is `ledger verify`'s business: this looks at its end only.
    """
    if conn.dialect.name == "sqlite":
        yield from _pages(conn)
    yield from _revision(conn)
    yield from _ledger_end(conn)


def _pages(conn: Connection) -> Iterator[str]:
    for (text,) in conn.exec_driver_sql(f"PRAGMA integrity_check({_FINDINGS})"):
        if text != "ok":
            yield f"The file is damaged: {text}. Restore a backup."
    broken = conn.exec_driver_sql("PRAGMA foreign_key_check").fetchmany(_FINDINGS)
    for table, row, parent, _ in broken:
        yield f"Row {row} of {table} names a row of {parent} that isn't there."


def _revision(conn: Connection) -> Iterator[str]:
    wanted = ScriptDirectory.from_config(config()).get_current_head()
    found = conn.execute(sa.text("SELECT version_num FROM alembic_version")).scalar_one_or_none()
    if found != wanted:
        yield (
            f"The tables are of revision {found}, this release has {wanted}: start the gateway"
            " once, or take the release that fits."
        )


def _ledger_end(conn: Connection) -> Iterator[str]:
    tail = LedgerTail.read(conn)
    archived = conn.execute(sa.select(ledger_head.c.archived)).scalar_one()
    last = conn.execute(
        sa.select(entries.c.seq, entries.c.hash).order_by(entries.c.seq.desc()).limit(1)
    ).one_or_none()
    size = last.seq if last else archived
    if size != tail.size:
        yield f"The ledger ends at entry {size}, its head says {tail.size}."
    elif last is not None and last.hash.hex() != tail.last_hash:
        yield f"Entry {size} is not the one that the ledger's head names."
    if tail.range.size != tail.size:
        yield f"The Merkle tree has {tail.range.size} leaves, the ledger {tail.size} entries."
