"""Archive files: the ledger's oldest entries, out of the store, still provable.

A file is gzip over lines of UTF-8: the first says what is in it, each further one is an entry's
canonical text. It holds the checkpoint that signs its last entry and the tree as it stood before
its first, so it can be checked alone; files in a row can be checked as one chain.
"""

import gzip
import os
import zlib
from collections.abc import Generator, Iterable, Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Literal

import orjson
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from gateway.ledger.chain import ChainHead, ChainReport, StoredRow, verify
from gateway.ledger.chain_fault import ChainFault
from gateway.ledger.checkpoint import verify_checkpoint
from gateway.ledger.merkle import CompactRange
from schemas.base import Record, Sha256
from schemas.ledger import Checkpoint

_LONGEST_LINE = 16_000_000


class ArchiveBad(ValueError):
    """A file that is no archive of a ledger, or is damaged."""


class ArchiveHead(Record):
    """An archive file's first line."""

    type: Literal["bagrelay.ledger.archive.v1"] = "bagrelay.ledger.archive.v1"
    first: int
    last: int
    prev: Sha256
    """Hash of the entry before the first."""
    tree_before: str
    """The Merkle tree of the entries before the first, as `CompactRange` writes it."""
    checkpoint: Checkpoint


@dataclass(frozen=True, slots=True)
class Archive:
    """An archive file that can be read any number of times."""

    path: Path
    head: ArchiveHead

    def texts(self) -> Iterator[bytes]:
        """Its entries' canonical texts, in order. Raises `ArchiveBad`."""
        lines = _lines(self.path)
        next(lines, None)
        yield from lines

    def rows(self) -> Iterator[StoredRow]:
        """Its entries as the store held them. Raises `ArchiveBad`."""
        for text in self.texts():
            yield row_of(text)


def name_of(first: int, last: int) -> str:
    """The file's name, so that names sort as entries do."""
    return f"ledger-{first:012}-{last:012}.jsonl.gz"


def write(path: Path, head: ArchiveHead, texts: Iterable[bytes]) -> str:
    """Write the file whole and durable, or not at all; its SHA-256 in hex. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f"{path.name}.{os.getpid()}.part")
    with draft.open("wb") as raw:
        with gzip.GzipFile("", "wb", 6, raw, mtime=0) as out:
            out.write(head.model_dump_json().encode() + b"\n")
            for text in texts:
                out.write(text + b"\n")
        raw.flush()
        os.fsync(raw.fileno())
    draft.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return digest_of(path)


def digest_of(path: Path) -> str:
    """SHA-256 of a file, hex."""
    with path.open("rb") as file:
        digest = sha256()
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def read(path: Path) -> Archive:
    """Open an archive file. Raises `ArchiveBad`."""
    lines = _lines(path)
    first_line = next(lines, b"")
    lines.close()
    try:
        head = ArchiveHead.model_validate_json(first_line)
        size = CompactRange.restore(head.tree_before).size
    except ValueError as error:
        raise ArchiveBad(f"{path} is no archive of a ledger: its first line is wrong.") from error
    if size != head.first - 1:
        raise ArchiveBad(f"{path}: the tree in its first line is not that before {head.first}.")
    return Archive(path, head)


def check(archive: Archive, public_key: Ed25519PublicKey | None = None) -> ChainReport:
    """Check a file alone: signature, chain, tree, and that it holds what its first line says."""
    head = archive.head
    start = ChainHead(head.first - 1, head.prev)
    if not verify_checkpoint(head.checkpoint, public_key):
        return _bad(start, "Its checkpoint isn't signed with the right key.")
    if head.checkpoint.size != head.last:
        return _bad(start, "Its checkpoint is of another size than the file says.")
    try:
        report = verify(
            archive.rows(),
            start=start,
            tree=CompactRange.restore(head.tree_before),
            checkpoints=[head.checkpoint],
        )
    except ArchiveBad as bad:
        return _bad(start, str(bad))
    if report.ok and report.head.seq != head.last:
        return _bad(report.head, f"It holds entries beyond {head.last}, which nothing signs.")
    return report


def row_of(text: bytes) -> StoredRow:
    """An entry's row from its text. Raises `ArchiveBad`."""
    try:
        entry = orjson.loads(text)
        return (
            entry["seq"],
            text,
            sha256(text).digest(),
            entry["kind"],
            entry["order_id"],
            entry["parcel_id"],
            entry["job_id"],
            entry["station"],
            entry["event_id"],
            entry["time"],
        )
    except (orjson.JSONDecodeError, KeyError, TypeError) as error:
        raise ArchiveBad("A line of the archive is no ledger entry.") from error


def _bad(head: ChainHead, text: str) -> ChainReport:
    return ChainReport(0, head, 0, ChainFault.CHANGED, head.seq + 1, text)


def _lines(path: Path) -> Generator[bytes, None, None]:
    try:
        with gzip.open(path, "rb") as file:
            while line := file.readline(_LONGEST_LINE):
                yield line.rstrip(b"\n")
    except (OSError, EOFError, zlib.error) as error:
        raise ArchiveBad(f"{path} can't be read: {error}.") from error
