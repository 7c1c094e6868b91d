"""Proofs from the store and from archive files."""

from collections.abc import Callable, Collection, Mapping
from pathlib import Path

import sqlalchemy as sa
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy.engine import Connection

from gateway.access.tables import access_keys
from gateway.clock import Clock
from gateway.errors import NotAllowedNow, NotFound
from gateway.ledger import checkpoints, entries
from gateway.ledger.keys import archive_dir
from gateway.ledger.proof import (
    EntriesProof,
    GrowthProof,
    prove_entries_by_tree,
    prove_growth_by_tree,
)
from gateway.ledger.stored_tree import StoredTree
from schemas.access import AccessRole
from schemas.ledger import Checkpoint, EntryKind, LedgerEntry
from schemas.site import Site

_MACHINE_ROLES = (AccessRole.SENDER, AccessRole.STATION)

KeyOf = Callable[[], Ed25519PrivateKey]
Prove = Callable[[Connection, Collection[int], str], EntriesProof | None]
"""Proves entries, told by number, and says what about."""


def order_proof(
    conn: Connection, order_id: str, site: Site, key: KeyOf, clock: Clock
) -> EntriesProof:
    """Prove all that the ledger holds about an order, from the store and from archive files.

    Rests on the latest checkpoint where it covers them, else on one signed for this proof.
    Raises `NotFound`, `Archived`, `ArchiveBad`, `BadKey`, `NotProvable`.
    """
    told = whole_order(conn, StoredTree(conn, archive_dir(site)), order_id)
    proof = prover(site, key, clock)(conn, [one.seq for one in told], f"order {order_id}")
    if proof is None:
        raise NotFound(f"The ledger holds nothing about an order {order_id!r}.")
    return proof


def growth_proof(conn: Connection, earlier: int, later: int, folder: Path) -> GrowthProof:
    """Prove that the checkpoint of the later size grew out of the earlier one.

    Raises `NotFound` where no checkpoint has that size, and as `order_proof` does.
    """
    first, second = _checkpoint(conn, earlier), _checkpoint(conn, later)
    return prove_growth_by_tree(StoredTree(conn, folder).node, first, second)


def _checkpoint(conn: Connection, size: int) -> Checkpoint:
    found = checkpoints.at_size(conn, size)
    if found is None:
        near = checkpoints.covering(conn, size) or checkpoints.latest(conn)
        hint = f" The nearest is of size {near.size}." if near else " There is none yet."
        raise NotFound(f"No checkpoint of size {size} is kept.{hint}")
    return found


def prover(site: Site, key: KeyOf, clock: Clock) -> Prove:
    """What proves entries for an evidence file.

    Rests on the latest checkpoint where it covers them, else on one signed for this proof.
    """
    folder = archive_dir(site)

    def prove(conn: Connection, seqs: Collection[int], about: str) -> EntriesProof | None:
        if not seqs:
            return None
        signed = checkpoints.latest(conn)
        if signed is None or signed.size < max(seqs):
            signed = checkpoints.sign_now(conn, key(), site.name, clock.now()) or signed
        tree = StoredTree(conn, folder)
        return _prove(tree, {seq: tree.text(seq) for seq in seqs}, signed, about)

    return prove


def machines_of(conn: Connection, site: Site) -> frozenset[str]:
    """Actors that are no people: the gateway, the site's stations, keys of other programs."""
    keys = sa.select(access_keys.c.name).where(access_keys.c.role.in_(_MACHINE_ROLES))
    return frozenset(
        {
            "gateway",
            "open door",
            *(f"station {one.id}" for one in site.station),
            *conn.execute(keys).scalars(),
        }
    )


def _prove(
    tree: StoredTree, texts: Mapping[int, bytes], checkpoint: Checkpoint | None, about: str
) -> EntriesProof:
    if checkpoint is None:
        raise NotAllowedNow("The ledger has no checkpoint yet that a proof could rest on.")
    return prove_entries_by_tree(tree.node, texts, checkpoint, about=about)


def whole_order(conn: Connection, tree: StoredTree, order_id: str) -> list[LedgerEntry]:
    """An order's entries; archive files are read only where the store lacks its beginning."""
    told = entries.of_order(conn, order_id)
    if any(one.kind is EntryKind.ORDER_RECEIVED for one in told):
        return told
    return [*tree.of_order_archived(order_id), *told]
