"""The chain: sealing an entry upon the one before it, and checking a whole stream of them.

An entry is kept as its canonical text, which holds every member but its own hash. Some members
stand in columns too, so that they can be searched; a column proves nothing and is checked
against the text.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from hashlib import sha256
from itertools import islice

import orjson
from pydantic import JsonValue

from gateway.ledger.canonical import canonical
from gateway.ledger.chain_fault import ChainFault, ChainHead, Finding, StoredRow, explain
from gateway.ledger.merkle import CompactRange
from schemas.ledger import Checkpoint

__all__ = [
    "GENESIS",
    "START",
    "ChainFault",
    "ChainHead",
    "ChainReport",
    "StoredRow",
    "seal",
    "verify",
]

GENESIS = "0" * 64
"""`prev` of the first entry, whose `seq` is 1."""

START = ChainHead(0, GENESIS)
"""The head of a chain without entries."""

_CHUNK = 1024


@dataclass(frozen=True, slots=True)
class ChainReport:
    """What a check found; `first_bad_seq`, `fault` and `text` are set where it is not well."""

    entries: int
    """Entries that were found well."""
    head: ChainHead
    """The last entry that was found well."""
    checkpoints: int = 0
    """Checkpoints that the entries agree with."""
    fault: ChainFault | None = None
    first_bad_seq: int | None = None
    text: str = ""

    @property
    def ok(self) -> bool:
        """True where nothing is wrong."""
        return self.fault is None


def seal(entry_without_hash: dict[str, JsonValue]) -> tuple[bytes, str]:
    """Return an entry's canonical text and its hash in hex. Raises `NotCanonical`."""
    text = canonical(entry_without_hash)
    return text, sha256(text).hexdigest()


def verify(
    rows: Iterable[StoredRow],
    *,
    start: ChainHead | None = None,
    tree: CompactRange | None = None,
    checkpoints: Sequence[Checkpoint] = (),
) -> ChainReport:
    """Check stored rows, in order of `seq`, from the entry after `start` (else from the first).

    Finds changed, removed, inserted and reordered entries, columns that contradict their entry,
    and, against `checkpoints` (whose signatures the caller has checked; those of a size below
    `start` are passed over), a cut-off tail and a chain that was written anew. A `tree` of
    `start.seq` leaves takes up each entry's leaf, so that the checkpoints' Merkle roots are
    compared too. Stops at the first fault. Raises ValueError for a tree of another size.
    """
    walk = _Walk(start or START, tree)
    if tree is not None and tree.size != walk.head.seq:
        raise ValueError(
            f"The tree has {tree.size} leaves, but the check starts after entry {walk.head.seq}."
        )
    source = iter(rows)
    for checkpoint in sorted(checkpoints, key=lambda checkpoint: checkpoint.size):
        if checkpoint.size < walk.first - 1:
            continue
        walk.take(source, checkpoint.size)
        if walk.found is None:
            walk.compare(checkpoint)
    walk.take(source, None)
    return walk.report()


class _Walk:
    """A check under way: the last entry found well, and what was found wrong."""

    def __init__(self, head: ChainHead, tree: CompactRange | None) -> None:
        self.first = head.seq + 1
        self.head = head
        self.found: Finding | None = None
        self._tree = tree
        self._agreed = head.seq
        self._checkpoints = 0

    def report(self) -> ChainReport:
        entries = self.head.seq - self.first + 1
        if self.found is None:
            return ChainReport(entries, self.head, self._checkpoints)
        found = self.found
        return ChainReport(
            entries, self.head, self._checkpoints, found.fault, found.seq, found.text
        )

    def take(self, rows: Iterator[StoredRow], until: int | None) -> None:
        """Check the rows up to entry `until`, or all that are left."""
        while self.found is None and (until is None or self.head.seq < until):
            wanted = _CHUNK if until is None else min(_CHUNK, until - self.head.seq)
            chunk = list(islice(rows, wanted))
            if not chunk:
                return
            good = _count_good(self.head, chunk)
            if self._tree is not None:
                self._tree.extend([sha256(b"\x00" + row[1]).digest() for row in chunk[:good]])
            if good:
                self.head = ChainHead(chunk[good - 1][0], chunk[good - 1][2].hex())
            if good < len(chunk):
                following = chunk[good + 1] if good + 1 < len(chunk) else next(rows, None)
                self.found = explain(self.head, chunk[good], following)

    def compare(self, checkpoint: Checkpoint) -> None:
        """Compare the chain, checked up to here, with a checkpoint of this size or a larger one."""
        seq, size = self.head.seq, checkpoint.size
        signed = f"The checkpoint of {checkpoint.time.isoformat()} was signed at size {size}"
        if seq < size:
            why = f"{signed}, but the ledger ends at entry {seq}: its tail was cut off."
            self.found = Finding(ChainFault.TAIL_CUT, seq + 1, why)
        elif self.head.hash != checkpoint.last_hash:
            why = (
                f"{signed} over another entry {size}: the ledger was written anew from an entry"
                f" between {self._agreed + 1} and {size} on."
            )
            self.found = Finding(ChainFault.REWRITTEN, self._agreed + 1, why)
        elif self._tree is not None and self._tree.root().hex() != checkpoint.root:
            why = (
                f"{signed} with another Merkle root, though the last hash agrees: its tree was"
                " not made over these entries."
            )
            self.found = Finding(ChainFault.REWRITTEN, self._agreed + 1, why)
        else:
            self._agreed = size
            self._checkpoints += 1


def _count_good(head: ChainHead, rows: list[StoredRow]) -> int:
    """Count the rows from the first that are well.

    Canonical text sorts its members, so all that the columns hold stands at the end of the text,
    after `data`: one comparison checks them, `seq` and `prev` without parsing the rest. Where
    it fails, the slow way decides.
    """
    expected, prev = head.seq + 1, head.hash
    dumps = orjson.dumps
    for good, row in enumerate(rows):
        seq, text, stored, kind, order_id, parcel_id, job_id, station, event_id, time = row
        tail = dumps(
            {
                "event_id": event_id,
                "job_id": job_id,
                "kind": kind,
                "order_id": order_id,
                "parcel_id": parcel_id,
                "prev": prev,
                "seq": seq,
                "station": station,
                "time": time,
            },
            default=repr,  # a column that holds what no entry can
        )
        if (
            seq != expected or sha256(text).digest() != stored or not text.endswith(b"," + tail[1:])
        ) and explain(ChainHead(expected - 1, prev), row, None) is not None:
            return good
        prev = stored.hex()
        expected += 1
    return len(rows)
