"""Moving the ledger's oldest entries out of the store into files."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.ledger import archive_file, checkpoints
from gateway.ledger.archive_file import ArchiveBad, ArchiveHead
from gateway.ledger.chain import GENESIS
from gateway.ledger.merkle import CompactRange
from gateway.ledger.stored_tree import KEPT_OF_ARCHIVED, ArchiveRow, StoredTree, peaks_of
from gateway.store.store import Store
from gateway.store.tables import archives, entries, ledger_head, merkle_nodes
from gateway.store.work import LOWEST_KEPT_LEVEL, Work
from schemas.ledger import Checkpoint, EntryKind

LARGEST_FILE = 1_000_000
"""Entries in one file, about; a checkpoint ends it."""

_PAGE = 2000
_DELETED_AT_ONCE = 2000
_NO_ENTRY = "0" * 16


async def archive_before(store: Store, folder: Path, moment: datetime) -> ArchiveRow | None:
    """Move the entries up to the last checkpoint before `moment` into a file; None: nothing due.

    The file is durable and checked before anything leaves the store. A crash in between leaves
    entries in both places, and the next call ends what was begun. Raises OSError, `ArchiveBad`.
    """
    await _delete_archived(store)
    due = await store.read(lambda conn: _due(conn, moment))
    if due is None:
        return None
    made = await store.read(lambda conn: _write(conn, folder, due))
    await store.write(lambda work: _remember(work, made))
    await _delete_archived(store)
    return made


def _due(conn: Connection, moment: datetime) -> Checkpoint | None:
    archived = _archived(conn)
    last = checkpoints.before(conn, moment, above=archived)
    if last is not None and last.size > archived + LARGEST_FILE:
        smaller = checkpoints.covering(conn, archived + LARGEST_FILE)
        return smaller or last
    return last


def _write(conn: Connection, folder: Path, checkpoint: Checkpoint) -> ArchiveRow:
    before = _last_row(conn)
    first = before.last + 1 if before else 1
    tree_before = before.range if before else _NO_ENTRY
    head = ArchiveHead(
        first=first,
        last=checkpoint.size,
        prev=before.last_hash if before else GENESIS,
        tree_before=tree_before,
        checkpoint=checkpoint,
    )
    path = folder / archive_file.name_of(first, checkpoint.size)
    digest = archive_file.write(path, head, _texts(conn, first, checkpoint.size))
    report = archive_file.check(archive_file.read(path))
    if not report.ok:
        raise ArchiveBad(
            f"Nothing was moved: entries {first} to {checkpoint.size} don't hold together."
            f" {report.text} Run `bagrelay ledger verify`."
        )
    return ArchiveRow(
        first=first,
        last=checkpoint.size,
        last_hash=checkpoint.last_hash,
        range=_tree_at(conn, checkpoint.size).serialise(),
        file=path.name,
        sha256=digest,
        made=checkpoint.time,
    )


def _tree_at(conn: Connection, size: int) -> CompactRange:
    """The tree of the first `size` entries, from the nodes that the store has."""
    tree = StoredTree(conn)
    peaks = [
        tree.node(level, index)
        for level, index in peaks_of(CompactRange(size, [bytes(32)] * size.bit_count()))
    ]
    return CompactRange(size, peaks)


def _texts(conn: Connection, first: int, last: int) -> Iterator[bytes]:
    at = first
    while at <= last:
        until = min(at + _PAGE - 1, last)
        found = conn.execute(
            sa.select(entries.c.canonical)
            .where(entries.c.seq >= at, entries.c.seq <= until)
            .order_by(entries.c.seq)
        )
        for row in found:
            yield bytes(row.canonical)
        at = until + 1


def _remember(work: Work, made: ArchiveRow) -> None:
    """From here on the entries may be deleted. Another gateway may have been quicker."""
    if _archived(work.conn) != made.first - 1:
        return
    work.conn.execute(
        sa.insert(archives).values(
            first=made.first,
            last=made.last,
            last_hash=made.last_hash,
            range=made.range,
            file=made.file,
            sha256=made.sha256,
            made=work.now,
        )
    )
    work.conn.execute(sa.update(ledger_head).values(archived=made.last))
    work.record(
        EntryKind.ARCHIVED, first=made.first, last=made.last, file=made.file, sha256=made.sha256
    )


async def _delete_archived(store: Store) -> None:
    """In small steps, so that nothing waits long for its turn to write."""
    while await store.write(_delete_some):
        pass


def _delete_some(work: Work) -> bool:
    archived = _archived(work.conn)
    first = work.conn.execute(sa.select(sa.func.min(entries.c.seq))).scalar_one()
    if first is not None and first <= archived:
        until = min(archived, first + _DELETED_AT_ONCE - 1)
        work.conn.execute(sa.delete(entries).where(entries.c.seq <= until))
        return True
    _delete_small_nodes(work.conn, archived)
    return False


def _delete_small_nodes(conn: Connection, archived: int) -> None:
    """Nodes below the kept level, up to a boundary that no node across it needs them."""
    whole = archived >> KEPT_OF_ARCHIVED
    for level in range(LOWEST_KEPT_LEVEL, KEPT_OF_ARCHIVED):
        conn.execute(
            sa.delete(merkle_nodes).where(
                merkle_nodes.c.level == level,
                merkle_nodes.c.index < whole << (KEPT_OF_ARCHIVED - level),
            )
        )


def _archived(conn: Connection) -> int:
    archived: int = conn.execute(sa.select(ledger_head.c.archived)).scalar_one()
    return archived


def _last_row(conn: Connection) -> ArchiveRow | None:
    row = conn.execute(sa.select(archives).order_by(archives.c.last.desc()).limit(1)).first()
    return ArchiveRow(**row._mapping) if row else None
