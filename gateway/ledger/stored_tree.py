"""The ledger's Merkle tree as the store has it, with the part that archive files hold."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.errors import NotFound
from gateway.ledger import archive_file
from gateway.ledger.archive_file import ArchiveBad
from gateway.ledger.entries import entry
from gateway.ledger.merkle import CompactRange, leaf_hash, node_hash
from gateway.store.tables import archives, entries, merkle_nodes
from schemas.ledger import LedgerEntry

KEPT_OF_ARCHIVED = 10
"""Of archived entries, only nodes over 2^10 entries and more stay in the store."""


class Archived(NotFound):
    """Entries that are asked for stand in an archive file, which isn't at hand."""


@dataclass(frozen=True, slots=True)
class ArchiveRow:
    """An archive file as the store remembers it."""

    first: int
    last: int
    last_hash: str
    range: str
    file: str
    sha256: str
    made: datetime


def archive_rows(conn: Connection) -> list[ArchiveRow]:
    """Every archive file, the oldest entries first."""
    found = conn.execute(sa.select(archives).order_by(archives.c.last))
    return [ArchiveRow(**row._mapping) for row in found]


def file_holding(conn: Connection, seq: int) -> ArchiveRow | None:
    """The archive file that an entry moved to; None where it is in the store."""
    row = conn.execute(
        sa.select(archives).where(archives.c.last >= seq).order_by(archives.c.last).limit(1)
    ).first()
    return ArchiveRow(**row._mapping) if row and row.first <= seq else None


class StoredTree:
    """Answers what proofs ask: a node's hash by level and index, an entry's text by number."""

    def __init__(self, conn: Connection, folder: Path | None = None) -> None:
        """`folder` is where archive files lie; without it archived entries can't be read."""
        self._conn = conn
        self._folder = folder
        self._boundaries: dict[tuple[int, int], bytes] | None = None
        self._blocks: dict[int, list[bytes]] = {}

    def node(self, level: int, index: int) -> bytes:
        """A complete subtree's hash. Raises `Archived`, `NotFound`."""
        stored = self._conn.execute(
            sa.select(merkle_nodes.c.hash).where(
                merkle_nodes.c.level == level, merkle_nodes.c.index == index
            )
        ).scalar_one_or_none()
        if stored is not None:
            return bytes(stored)
        boundary = self._peaks().get((level, index))
        if boundary is not None:
            return boundary
        first, after = (index << level) + 1, ((index + 1) << level) + 1
        if level and self._straddles(first, after):
            return node_hash(self.node(level - 1, 2 * index), self.node(level - 1, 2 * index + 1))
        small = CompactRange()
        small.extend(self._leaves(first, after))
        if small.size != 1 << level:
            raise NotFound(
                f"Entries {first} to {after - 1} are not all in the ledger. Run"
                " `bagrelay ledger verify` to see what is missing."
            )
        return small.root()

    def text(self, seq: int) -> bytes:
        """An entry's canonical text. Raises `Archived`, `NotFound`."""
        found = self.texts(seq, seq + 1)
        if not found:
            raise NotFound(f"The ledger holds no entry {seq}.")
        return found[0]

    def texts(self, first: int, after: int) -> list[bytes]:
        """Canonical texts of the entries from `first` to before `after`. Raises `Archived`."""
        found = self._conn.execute(
            sa.select(entries.c.canonical)
            .where(entries.c.seq >= first, entries.c.seq < after)
            .order_by(entries.c.seq)
        )
        texts = [bytes(row.canonical) for row in found]
        archived = file_holding(self._conn, first)
        if len(texts) < after - first and archived is not None:
            last = min(after - 1, archived.last)
            return [
                *self._from_file(archived, first, last),
                *(self.texts(last + 1, after) if last + 1 < after else ()),
            ]
        return texts

    def of_order_archived(self, order_id: str) -> Iterator[LedgerEntry]:
        """An order's entries in archive files; reads every file. Raises `Archived`."""
        for one in archive_rows(self._conn):
            archive = archive_file.read(self._path(one))
            for row in archive.rows():
                if row[4] == order_id:
                    yield entry(row[1], row[2])

    def _straddles(self, first: int, after: int) -> bool:
        """Whether some of these entries stand in one archive file and the rest do not."""
        archived = file_holding(self._conn, first)
        return archived is not None and archived.last < after - 1

    def _leaves(self, first: int, after: int) -> list[bytes]:
        """Leaf hashes; of archived entries a whole block is read and kept, for the next node."""
        archived = file_holding(self._conn, first)
        if archived is None or after - 1 > archived.last:
            return [leaf_hash(text) for text in self.texts(first, after)]
        begin = max(archived.first, ((first - 1) >> KEPT_OF_ARCHIVED << KEPT_OF_ARCHIVED) + 1)
        if begin not in self._blocks:
            until = min(archived.last, begin + (1 << KEPT_OF_ARCHIVED))
            self._blocks = {begin: list(map(leaf_hash, self._from_file(archived, begin, until)))}
        return self._blocks[begin][first - begin : after - begin]

    def _from_file(self, row: ArchiveRow, first: int, last: int) -> Sequence[bytes]:
        archive = archive_file.read(self._path(row))
        if archive.head.first != row.first:
            raise ArchiveBad(f"{archive.path} holds other entries than the store says.")
        return list(islice(archive.texts(), first - row.first, last - row.first + 1))

    def _path(self, row: ArchiveRow) -> Path:
        path = self._folder / row.file if self._folder else None
        if path is None or not path.exists():
            raise Archived(
                f"Entries {row.first} to {row.last} moved to the archive file {row.file} on"
                f" {row.made:%Y-%m-%d}, which isn't at hand"
                f"{f' in {self._folder}' if self._folder else ''}. Put it back, and ask again."
            )
        return path

    def _peaks(self) -> dict[tuple[int, int], bytes]:
        """The complete subtrees that end where an archive file ends."""
        if self._boundaries is None:
            self._boundaries = {}
            for row in archive_rows(self._conn):
                self._boundaries.update(peaks_of(CompactRange.restore(row.range)))
        return self._boundaries


def peaks_of(tree: CompactRange) -> dict[tuple[int, int], bytes]:
    """The complete subtrees of a tree by level and index, the largest first."""
    raw = bytes.fromhex(tree.serialise())[8:]
    hashes = [raw[at : at + 32] for at in range(0, len(raw), 32)]
    found: dict[tuple[int, int], bytes] = {}
    start = 0
    for peak in hashes:
        level = (tree.size - start).bit_length() - 1
        found[level, start >> level] = peak
        start += 1 << level
    return found
