"""The check of a whole ledger: archive files, store and checkpoints together."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path

import sqlalchemy as sa
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from sqlalchemy.engine import Connection

from gateway.errors import NotFound
from gateway.ledger import archive_file, checkpoints
from gateway.ledger.archive_file import ArchiveBad
from gateway.ledger.chain import GENESIS, START, ChainHead, ChainReport, StoredRow, verify
from gateway.ledger.chain_fault import ChainFault
from gateway.ledger.checkpoint import verify_checkpoint
from gateway.ledger.entries import stored_rows
from gateway.ledger.merkle import CompactRange, root_at
from gateway.ledger.quick_check import Seen, pass_over
from gateway.ledger.stored_tree import Archived, ArchiveRow, StoredTree, archive_rows
from gateway.ledger.tree_check import false_node
from gateway.store.tables import entries, ledger_head
from gateway.store.work import LedgerTail
from schemas.ledger import Checkpoint

_TELL_EVERY = 8192


@dataclass(frozen=True, slots=True)
class WholeReport:
    """What the check found: of the chain, beside it, and what it could not look at."""

    chain: ChainReport
    root: str
    faults: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """True where nothing is wrong."""
        return self.chain.ok and not self.faults


def size_of(conn: Connection) -> int:
    """How many entries the ledger should have."""
    size: int | None = conn.execute(sa.select(ledger_head.c.size)).scalar_one_or_none()
    return size or 0


def check_whole(
    conn: Connection,
    folder: Path,
    *,
    witnessed: Sequence[Checkpoint] = (),
    keys: Sequence[Ed25519PublicKey] = (),
    seen: Seen | None = None,
    whole_tree: bool = False,
) -> WholeReport:
    """Check all entries in archive files at hand and in the store, from the first on.

    Against the store's own checkpoints and those that were `witnessed` elsewhere. Their
    signatures must be of one of the `keys`, where any is given. The stored Merkle tree must give
    the root of every checkpoint; with `whole_tree` it is made anew from the entries, and each of
    its stored nodes compared. The
    connection must see one state of the store all along.
    """
    tail, head_lost = _tail(conn)
    kept, unreadable = checkpoints.every(conn)
    archived = archive_rows(conn)
    here = _at_hand(archived, folder)
    notes = _absent(archived, here, folder)
    start, tree = _start(archived, here)
    good, faults = _signed(chain(kept, witnessed), keys)
    faults += head_lost
    faults += [f"What the store keeps as checkpoint of size {one} is none." for one in unreadable]
    after = archived[-1].last if archived else 0
    try:
        report = None if whole_tree else _quickly(conn, folder, here, start, good, seen)
        if report is None:
            rows = chain(_archived_rows(here, folder), stored_rows(conn, after=after))
            told = _told(rows, seen)
            report = verify(told, start=start, tree=tree if whole_tree else None, checkpoints=good)
    except ArchiveBad as bad:
        report = ChainReport(0, start, 0, ChainFault.CHANGED, start.seq + 1, str(bad))
    if report.ok:
        faults += _head_faults(conn, tail, report)
        faults += _tree_faults(tail, StoredTree(conn, folder), good)
        if whole_tree and tree.root() != tail.range.root():
            faults.append("The stored Merkle tree was not made over these entries.")
        if whole_tree and (under := false_node(conn)):
            faults.append(
                f"The stored Merkle tree has a false node over entries {under[0]} to {under[1]}."
            )
    return WholeReport(report, tail.range.root().hex(), tuple(faults), tuple(notes))


def _tail(conn: Connection) -> tuple[LedgerTail, list[str]]:
    try:
        return LedgerTail.read(conn), []
    except ValueError:
        lost = "The store's own note of the ledger's end is gone, or can't be read."
        return LedgerTail(0, GENESIS, CompactRange()), [lost]


def _quickly(
    conn: Connection,
    folder: Path,
    here: Sequence[ArchiveRow],
    start: ChainHead,
    signed: Sequence[Checkpoint],
    seen: Seen | None,
) -> ChainReport | None:
    """Archive files first, then the store, as far as all is well; None for a bad file."""
    files = ChainReport(0, start)
    if here:
        last = here[-1].last
        covered = [one for one in signed if one.size <= last]
        rows = _told(_archived_rows(here, folder), seen)
        files = verify(rows, start=start, checkpoints=covered)
        if not files.ok or files.head.seq != last:
            return None
        signed = [one for one in signed if one.size > last]
    later = sorted((one for one in signed if one.size >= files.head.seq), key=lambda one: one.size)
    passed = pass_over(conn, files.head, later, seen)
    rest = verify(
        _told(stored_rows(conn, after=passed.head.seq), seen),
        start=passed.head,
        checkpoints=later[passed.checkpoints :],
    )
    return replace(
        rest,
        entries=rest.head.seq - start.seq,
        checkpoints=rest.checkpoints + passed.checkpoints + files.checkpoints,
    )


def _archived_rows(here: Sequence[ArchiveRow], folder: Path) -> Iterator[StoredRow]:
    return chain.from_iterable(archive_file.read(folder / one.file).rows() for one in here)


def _at_hand(archived: Sequence[ArchiveRow], folder: Path) -> list[ArchiveRow]:
    """The archive files from which the chain can be followed without a gap into the store."""
    here: list[ArchiveRow] = []
    for one in reversed(archived):
        if not (folder / one.file).exists():
            break
        here.insert(0, one)
    return here


def _absent(archived: Sequence[ArchiveRow], here: Sequence[ArchiveRow], folder: Path) -> list[str]:
    absent = archived[: len(archived) - len(here)]
    if not absent:
        return []
    text = (
        f"Entries 1 to {absent[-1].last} stand in archive files that are not in {folder}, the last"
        f" of them {absent[-1].file}; they were not looked at."
    )
    return [text]


def _start(
    archived: Sequence[ArchiveRow], here: Sequence[ArchiveRow]
) -> tuple[ChainHead, CompactRange]:
    if len(here) == len(archived):
        return START, CompactRange()
    last = archived[len(archived) - len(here) - 1]
    return ChainHead(last.last, last.last_hash), CompactRange.restore(last.range)


def _signed(
    found: Iterable[Checkpoint], keys: Sequence[Ed25519PublicKey]
) -> tuple[list[Checkpoint], list[str]]:
    good: dict[str, Checkpoint] = {}
    faults: list[str] = []
    for one in found:
        if not verify_checkpoint(one):
            faults.append(f"The checkpoint of size {one.size} does not have a valid signature.")
        elif keys and not any(verify_checkpoint(one, key) for key in keys):
            faults.append(
                f"The checkpoint of size {one.size} is signed by {one.public_key}, which is not"
                " the site's key. Name a former key by --key, if it is one."
            )
        else:
            good[one.signature] = one
    return list(good.values()), faults


def _told(rows: Iterator[StoredRow], seen: Seen | None) -> Iterator[StoredRow]:
    if seen is None:
        return rows
    return _telling(rows, seen)


def _telling(rows: Iterator[StoredRow], seen: Seen) -> Iterator[StoredRow]:
    for row in rows:
        number: object = row[0]
        if isinstance(number, int) and not number % _TELL_EVERY:
            seen(number)
        yield row


def _tree_faults(tail: LedgerTail, tree: StoredTree, signed: Sequence[Checkpoint]) -> list[str]:
    """Does the tree that proofs are made from give the roots that were signed?"""
    try:
        if root_at(tail.size, tree.node) != tail.range.root():
            return ["The stored Merkle tree does not give the root that the store notes."]
        for one in signed:
            if one.size <= tail.size and not _gives(tree, one):
                return [
                    f"The stored Merkle tree does not give the root that was signed at {one.size}."
                ]
    except Archived:
        return []
    except NotFound as missing:
        return [f"The stored Merkle tree has a gap: {missing.detail}"]
    return []


def _gives(tree: StoredTree, signed: Checkpoint) -> bool:
    try:
        return root_at(signed.size, tree.node).hex() == signed.root
    except Archived:
        return True  # it ends amid a file that isn't at hand, which is told as a note


def _head_faults(conn: Connection, tail: LedgerTail, report: ChainReport) -> list[str]:
    """The chain holds; does the store's own note of its end agree?"""
    head = report.head
    if head.seq < tail.size:
        text = (
            f"The store says that its ledger has {tail.size} entries, but it ends at entry"
            f" {head.seq}: its tail was cut off."
        )
        return [text]
    if head.seq > tail.size:
        return [f"Entries {tail.size + 1} to {head.seq} were put in behind the ledger's end."]
    if tail.size and head.hash != tail.last_hash:
        return [f"The store's note of the ledger's end names another entry {tail.size}."]
    if not tail.size and tail.last_hash != GENESIS:
        return ["The store's note of the ledger's end names an entry of an empty ledger."]
    below = conn.execute(
        sa.select(sa.func.count()).select_from(entries).where(entries.c.seq < 1)
    ).scalar_one()
    return [f"{below} entries with a number below 1 were put in."] if below else []
