"""Sealed chains of invented entries, and the rows in which a store would keep them."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import JsonValue

from gateway.ledger.chain import GENESIS, StoredRow, seal
from gateway.ledger.checkpoint import sign
from gateway.ledger.merkle import CompactRange, MemoryTree, leaf_hash
from schemas.ledger import Checkpoint

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))


@dataclass(frozen=True)
class Row:
    """A stored row with names; `plain` is what the check takes."""

    seq: int
    canonical: bytes
    hash: bytes
    kind: str
    order_id: str | None
    parcel_id: str | None
    job_id: str | None
    station: str | None
    event_id: str | None
    time: str

    def plain(self) -> StoredRow:
        """Return it as the tuple that a store reads."""
        return (
            self.seq,
            self.canonical,
            self.hash,
            self.kind,
            self.order_id,
            self.parcel_id,
            self.job_id,
            self.station,
            self.event_id,
            self.time,
        )


def entry(seq: int, prev: str, **members: JsonValue) -> dict[str, JsonValue]:
    """An entry without its hash."""
    order = f'SO-"{seq // 3}" ü'
    return {
        "seq": seq,
        "time": f"2026-11-25T08:00:{seq % 60:02d}.000000Z",
        "kind": "job.moved",
        "order_id": order,
        "parcel_id": f"{order}-1" if seq % 2 else None,
        "job_id": f"J{seq}",
        "station": "bench-1",
        "event_id": None,
        "actor": "gateway",
        "data": {"from": "sending", "to": "sent", "bytes": seq, "job_id": "of the data"},
        "prev": prev,
        **members,
    }


def sealed(members: dict[str, JsonValue]) -> Row:
    """Seal an entry into its row."""
    text, digest = seal(members)
    columns = {
        name: members[name]
        for name in Row.__dataclass_fields__
        if name not in {"canonical", "hash"}
    }
    return Row(canonical=text, hash=bytes.fromhex(digest), **columns)  # type: ignore[arg-type]


def chain(size: int, *, changed: int | None = None) -> list[Row]:
    """A well-sealed chain; with `changed`, one that was written anew from that entry on."""
    rows: list[Row] = []
    prev = GENESIS
    for seq in range(1, size + 1):
        row = sealed(entry(seq, prev, **({"actor": "forger"} if seq == changed else {})))
        rows.append(row)
        prev = row.hash.hex()
    return rows


def plain(rows: list[Row]) -> Iterator[StoredRow]:
    """The rows as a store reads them."""
    return (row.plain() for row in rows)


def renumbered(rows: list[Row]) -> list[Row]:
    """The same texts under column numbers without gaps, as a forger would leave them."""
    return [replace(row, seq=seq) for seq, row in enumerate(rows, start=1)]


def tree_of(rows: list[Row]) -> MemoryTree:
    """The Merkle tree over the rows."""
    return MemoryTree(leaf_hash(row.canonical) for row in rows)


def checkpoint_of(rows: list[Row], *, key: Ed25519PrivateKey = KEY) -> Checkpoint:
    """A checkpoint over all of the rows."""
    tree = CompactRange()
    tree.extend([leaf_hash(row.canonical) for row in rows])
    return sign(
        size=len(rows),
        root=tree.root().hex(),
        last_hash=rows[-1].hash.hex() if rows else GENESIS,
        time=datetime(2026, 11, 25, 9, 0, tzinfo=UTC),
        origin="demo room",
        private_key=key,
    )
