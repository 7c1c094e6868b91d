"""Checking an evidence file: its proof, and that what it shows is what the proof holds."""

from hashlib import sha256

import orjson
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pydantic import ValidationError

from gateway.ledger.evidence import Attempt, Evidence, Reading, content_of, shown
from gateway.ledger.proof import EntriesProof, ProofReport, check_proof, to_text
from schemas.ledger import EntryKind, LedgerEntry

EVIDENCE_TYPE = "bagrelay.evidence.v1"


def check_file(text: str | bytes, public_key: Ed25519PublicKey | None = None) -> ProofReport:
    """Check a proof file or an evidence file, whichever it is."""
    try:
        read = orjson.loads(text)
    except orjson.JSONDecodeError:
        return check_proof(text, public_key)
    if isinstance(read, dict) and read.get("type") == EVIDENCE_TYPE:
        return check_evidence(text, public_key)
    return check_proof(text, public_key)


def check_evidence(text: str | bytes, public_key: Ed25519PublicKey | None = None) -> ProofReport:
    """Check the proof, and hold every attempt, scan, label and bag against the proved entries."""
    try:
        file = Evidence.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"])) or "the whole"
        return ProofReport(faults=(f"This is no evidence file: {where}: {first['msg']}.",))
    if file.proof is None:
        return ProofReport(faults=("The file holds no proof.",))
    proof = check_proof(to_text(file.proof), public_key)
    if not proof.ok:
        return proof
    entries = _entries(file.proof)
    faults = (*_unbacked_facts(file, entries), *_unbacked_labels(file, entries))
    cautions = [*proof.cautions]
    withheld = [str(seq) for seq, entry in entries.items() if entry is None]
    if withheld:
        cautions.append(
            f"The texts of entries {', '.join(withheld)} are withheld: that they exist is proved,"
            " what the file shows of them is not."
        )
    if file.ordered:
        cautions.append(
            "The ordered lines and the address are not in the ledger, which holds a digest of the"
            " order; they stand here as the site has them."
        )
    return ProofReport(() if faults else proof.proved, faults, tuple(cautions))


def _entries(proof: EntriesProof) -> dict[int, LedgerEntry | None]:
    """The proved entries by number; None for those whose text is withheld."""
    read: dict[int, LedgerEntry | None] = {}
    for one in proof.entries:
        read[one.seq] = None
        if one.canonical is not None:
            digest = sha256(one.canonical.encode()).hexdigest()
            members = {**orjson.loads(one.canonical), "hash": digest}
            read[one.seq] = LedgerEntry.model_validate(members)
    return read


def _unbacked_facts(file: Evidence, entries: dict[int, LedgerEntry | None]) -> list[str]:
    faults = []
    facts: tuple[Attempt | Reading, ...] = (*file.attempts, *file.readings)
    for fact in facts:
        if fact.seq not in entries:
            faults.append(f"What is shown of entry {fact.seq} has no proof in the file.")
            continue
        entry = entries[fact.seq]
        if entry is None:
            continue
        if entry.parcel_id != file.parcel_id or fact != shown(entry):
            faults.append(f"What is shown of entry {fact.seq} is not what the ledger holds.")
    shown_seqs = {fact.seq for fact in facts}
    faults += [
        f"Entry {seq} ({entry.kind}) is proved but not shown."
        for seq, entry in entries.items()
        if entry is not None
        and entry.parcel_id == file.parcel_id
        and shown(entry) is not None
        and seq not in shown_seqs
    ]
    return faults


def _unbacked_labels(file: Evidence, entries: dict[int, LedgerEntry | None]) -> list[str]:
    created = {
        entry.job_id: entry
        for entry in entries.values()
        if entry is not None and entry.kind is EntryKind.JOB_CREATED
    }
    faults = []
    for label in file.labels:
        content, entry = content_of(label), created.get(label.job_id)
        if content is not None and sha256(content).hexdigest() != label.sha256:
            faults.append(f"The bytes of the label of job {label.job_id} do not have its digest.")
        if entry is None:
            if not file.blacked_out:
                faults.append(f"No proved entry made the label of job {label.job_id}.")
        elif entry.data.get("label_sha256") != label.sha256:
            faults.append(f"The label of job {label.job_id} is not the one that the ledger names.")
        elif entry.data.get("bag") != file.parcel.bag.model_dump(mode="json"):
            faults.append(f"The bag shown is not the one that the ledger names for {label.job_id}.")
    return faults
