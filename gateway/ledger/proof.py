"""Proof files: that entries stand in the signed ledger, and that one checkpoint grew into another.

A proof is one small JSON text. Checking it needs the text and, to know whose ledger it is, the
public key of the site; no database and nothing of the rest of the ledger.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from hashlib import sha256
from itertools import islice
from typing import Annotated, Literal, Self

import orjson
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pydantic import Field, JsonValue, TypeAdapter, ValidationError, model_validator

from gateway.ledger.checkpoint import verify_checkpoint
from gateway.ledger.merkle import (
    NodeAt,
    consistency_proof,
    inclusion_proof,
    leaf_hash,
    nodes_needed,
    read_once,
    verify_consistency,
    verify_inclusion,
)
from schemas.base import Record, Sha256
from schemas.ledger import Checkpoint

AuditPath = Annotated[tuple[Sha256, ...], Field(max_length=128)]


class NotProvable(ValueError):
    """What was asked for cannot be proved from the entries and checkpoints handed in."""


class ProvedEntry(Record):
    """One entry's canonical text and its path up to the checkpoint's root, leaf side first.

    A withheld entry has its leaf hash in place of the text: that it stands there is still
    proved. Whoever can guess the whole text can confirm the guess against the hash.
    """

    seq: Annotated[int, Field(ge=1)]
    canonical: str | None = None
    leaf: Sha256 | None = None
    path: AuditPath

    @model_validator(mode="after")
    def _text_or_leaf(self) -> Self:
        if (self.canonical is None) == (self.leaf is None):
            raise ValueError("an entry has either its text or, where withheld, its leaf hash")
        return self

    def leaf_hash(self) -> bytes:
        """The leaf's hash, from the text where it is there."""
        if self.canonical is not None:
            return leaf_hash(self.canonical.encode())
        assert self.leaf is not None
        return bytes.fromhex(self.leaf)


class EntriesProof(Record):
    """That entries stand in the ledger that the checkpoint signs."""

    type: Literal["bagrelay.proof.entries.v1"] = "bagrelay.proof.entries.v1"
    about: str
    entries: Annotated[tuple[ProvedEntry, ...], Field(min_length=1)]
    checkpoint: Checkpoint


class GrowthProof(Record):
    """That the ledger of the later checkpoint begins with all that the earlier one signed."""

    type: Literal["bagrelay.proof.growth.v1"] = "bagrelay.proof.growth.v1"
    earlier: Checkpoint
    later: Checkpoint
    path: AuditPath


_PROOF_FILE: TypeAdapter[EntriesProof | GrowthProof] = TypeAdapter(
    Annotated[EntriesProof | GrowthProof, Field(discriminator="type")]
)


@dataclass(frozen=True, slots=True)
class ProofReport:
    """What a proof file proves, what is wrong with it, and what it cannot say."""

    proved: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """True where nothing is wrong."""
        return not self.faults


def prove_entries(
    texts: Iterable[bytes], seqs: Collection[int], checkpoint: Checkpoint, *, about: str
) -> EntriesProof:
    """Prove the entries numbered `seqs` under a checkpoint, from the entries alone.

    `texts` are the canonical texts of all entries in order from the first; they are read once, up
    to the checkpoint's size, and only the proved ones are kept. Raises `NotProvable` for entries
    that the checkpoint does not cover, or where the texts are not those that it signs.
    """
    _must_cover(checkpoint, seqs)
    wanted, kept = frozenset(seqs), dict[int, bytes]()

    def keeping() -> Iterator[bytes]:
        for seq, text in enumerate(texts, start=1):
            if seq in wanted:
                kept[seq] = text
            yield text

    def ask(node: NodeAt) -> None:
        for seq in wanted:
            inclusion_proof(seq - 1, checkpoint.size, node)

    node = _read(keeping(), checkpoint.size, ask)
    return prove_entries_by_tree(node, kept, checkpoint, about=about)


def prove_entries_by_tree(
    node: NodeAt, texts: Mapping[int, bytes], checkpoint: Checkpoint, *, about: str
) -> EntriesProof:
    """Prove entries, given by number with their canonical texts, from a stored tree.

    Takes O(log n) look-ups an entry. Raises `NotProvable` for entries that the checkpoint does
    not cover, or where texts and tree are not those that it signs.
    """
    _must_cover(checkpoint, texts)
    root, entries = bytes.fromhex(checkpoint.root), []
    for seq, text in sorted(texts.items()):
        path = inclusion_proof(seq - 1, checkpoint.size, node)
        if not verify_inclusion(leaf_hash(text), seq - 1, checkpoint.size, path, root):
            raise NotProvable(
                f"Entry {seq} is not among the {checkpoint.size} that the checkpoint signs."
                " Run `bagrelay ledger verify` to find the first that differs."
            )
        entries.append(
            ProvedEntry(seq=seq, canonical=text.decode(), path=tuple(map(bytes.hex, path)))
        )
    return EntriesProof(about=about, entries=tuple(entries), checkpoint=checkpoint)


def prove_growth(texts: Iterable[bytes], earlier: Checkpoint, later: Checkpoint) -> GrowthProof:
    """Prove that the later checkpoint's ledger begins with the earlier's, from the entries alone.

    `texts` are read as by `prove_entries`, errors are those of `prove_growth_by_tree`.
    """
    _must_grow(earlier, later)

    def ask(node: NodeAt) -> None:
        consistency_proof(earlier.size, later.size, node)

    return prove_growth_by_tree(_read(texts, later.size, ask), earlier, later)


def prove_growth_by_tree(node: NodeAt, earlier: Checkpoint, later: Checkpoint) -> GrowthProof:
    """Prove growth from a stored tree.

    Raises `NotProvable` where the sizes are out of order or the tree is not the one signed.
    """
    _must_grow(earlier, later)
    path = consistency_proof(earlier.size, later.size, node)
    roots = bytes.fromhex(earlier.root), bytes.fromhex(later.root)
    if not verify_consistency(earlier.size, later.size, path, *roots):
        raise NotProvable(
            f"The entries are not those that the checkpoints of size {earlier.size} and"
            f" {later.size} sign. Run `bagrelay ledger verify` to find the first that differs."
        )
    return GrowthProof(earlier=earlier, later=later, path=tuple(map(bytes.hex, path)))


def withhold(proof: EntriesProof, seqs: Collection[int]) -> EntriesProof:
    """Return the proof without the texts of these entries."""
    return proof.model_copy(
        update={
            "entries": tuple(
                ProvedEntry(seq=one.seq, leaf=one.leaf_hash().hex(), path=one.path)
                if one.seq in seqs
                else one
                for one in proof.entries
            )
        }
    )


def to_text(proof: EntriesProof | GrowthProof) -> str:
    """Return the proof file's text."""
    return orjson.dumps(
        proof.model_dump(mode="json", exclude_none=True),
        option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE,
    ).decode()


def check_proof(text: str | bytes, public_key: Ed25519PublicKey | None = None) -> ProofReport:
    """Check a proof file. Give the site's public key, so that a forger's own does not pass."""
    try:
        proof = _PROOF_FILE.validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"])) or "the whole"
        return ProofReport(faults=(f"This is no proof file: {where}: {first['msg']}.",))
    checkpoints = (
        (proof.checkpoint,) if isinstance(proof, EntriesProof) else (proof.earlier, proof.later)
    )
    faults = [fault for one in checkpoints if (fault := _signature_fault(one, public_key))]
    cautions = []
    if public_key is None:
        keys = " and ".join(dict.fromkeys(one.public_key for one in checkpoints))
        cautions.append(
            "The signing key was not compared with a known one. Get the site's public key by"
            f" another way and compare it with {keys}."
        )
    if isinstance(proof, EntriesProof):
        proved, wrong = _check_entries(proof)
        cautions.append(
            "This shows that these entries are in the ledger, not that there are no others about"
            " the same matter."
        )
    else:
        proved, wrong = _check_growth(proof)
    faults += wrong
    return ProofReport(() if faults else tuple(proved), tuple(faults), tuple(cautions))


def _must_cover(checkpoint: Checkpoint, seqs: Collection[int]) -> None:
    if not seqs or min(seqs) < 1 or max(seqs) > checkpoint.size:
        raise NotProvable(
            f"The checkpoint covers entries 1 to {checkpoint.size}; not all of {sorted(seqs)} are"
            " among them. Sign a new checkpoint, then prove."
        )


def _must_grow(earlier: Checkpoint, later: Checkpoint) -> None:
    if not 0 < earlier.size <= later.size:
        raise NotProvable(
            "Growth is proved from an earlier size above 0 to a later one,"
            f" not from {earlier.size} to {later.size}."
        )


def _read(texts: Iterable[bytes], size: int, ask: Callable[[NodeAt], object]) -> NodeAt:
    """Read the texts once and keep the nodes that the question needs."""
    nodes, tree = read_once(map(leaf_hash, islice(texts, size)), nodes_needed(ask))
    if tree.size < size:
        raise NotProvable(
            f"The checkpoint was signed at size {size}, but there are only {tree.size} entries:"
            " the ledger's tail is missing."
        )
    return lambda level, index: nodes[level, index]


def _signature_fault(checkpoint: Checkpoint, public_key: Ed25519PublicKey | None) -> str | None:
    if not verify_checkpoint(checkpoint):
        return f"The checkpoint of size {checkpoint.size} does not have a valid signature."
    if not verify_checkpoint(checkpoint, public_key):
        return (
            f"The checkpoint of size {checkpoint.size} is signed by {checkpoint.public_key},"
            " which is not the key that was given."
        )
    return None


def _check_entries(proof: EntriesProof) -> tuple[list[str], list[str]]:
    checkpoint = proof.checkpoint
    root = bytes.fromhex(checkpoint.root)
    where = (
        f"is in the ledger of {checkpoint.origin!r}, signed at size {checkpoint.size} on"
        f" {checkpoint.time.isoformat()}."
    )
    proved, faults = [], []
    for one in sorted(proof.entries, key=lambda one: one.seq):
        path = tuple(map(bytes.fromhex, one.path))
        entry = _entry_of(one)
        if not verify_inclusion(one.leaf_hash(), one.seq - 1, checkpoint.size, path, root):
            faults.append(f"Entry {one.seq} is not in the ledger that the checkpoint signs.")
        elif one.canonical is None:
            proved.append(f"Entry {one.seq} (its text withheld) {where}")
        elif entry is None or entry.get("seq") != one.seq:
            faults.append(f"Entry {one.seq}: its text is not that of an entry of this number.")
        else:
            proved.append(f"Entry {one.seq} ({entry.get('kind')}, {entry.get('time')}) {where}")
    return proved, faults + _broken_links(proof)


def _entry_of(one: ProvedEntry) -> dict[str, JsonValue] | None:
    try:
        entry = orjson.loads(one.canonical or "")
    except orjson.JSONDecodeError:
        return None
    return entry if isinstance(entry, dict) else None


def _broken_links(proof: EntriesProof) -> list[str]:
    """Neighbours must be chained, and the last entry must be the one that was signed as last."""
    known = {
        one.seq: sha256(one.canonical.encode()).hexdigest()
        for one in proof.entries
        if one.canonical is not None
    }
    faults = []
    for one in proof.entries:
        entry, before = _entry_of(one), known.get(one.seq - 1)
        if entry is not None and before is not None and entry.get("prev") != before:
            faults.append(f"Entry {one.seq} was not sealed upon entry {one.seq - 1}.")
    size, last = proof.checkpoint.size, proof.checkpoint.last_hash
    if known.get(size, last) != last:
        faults.append(f"Entry {size} is not the one that the checkpoint names as last.")
    return faults


def _check_growth(proof: GrowthProof) -> tuple[list[str], list[str]]:
    earlier, later = proof.earlier, proof.later
    path = tuple(map(bytes.fromhex, proof.path))
    roots = bytes.fromhex(earlier.root), bytes.fromhex(later.root)
    faults = []
    if earlier.origin != later.origin:
        faults.append(f"The checkpoints are of two ledgers: {earlier.origin!r}, {later.origin!r}.")
    if later.time < earlier.time:
        faults.append("The later checkpoint was signed before the earlier one.")
    if not verify_consistency(earlier.size, later.size, path, *roots):
        faults.append(
            f"The ledger of size {later.size} does not begin with the one of size {earlier.size}:"
            " entries that had been signed were changed or removed."
        )
    proved = (
        f"The ledger of {later.origin!r}, signed at size {later.size} on"
        f" {later.time.isoformat()}, begins unchanged with all {earlier.size} entries signed on"
        f" {earlier.time.isoformat()}."
    )
    return [proved], faults
