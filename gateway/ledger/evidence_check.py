"""Checking an evidence file: its proof, and that what it shows is what the proof holds."""

from base64 import b64decode
from hashlib import sha256

import orjson
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pydantic import ValidationError

from gateway.ledger.evidence import Attempt, Evidence, Reading, content_of, ordered, shown
from gateway.ledger.proof import EntriesProof, ProofReport, check_proof, to_text
from schemas.decision import Parcel
from schemas.ledger import EntryKind, LedgerEntry

EVIDENCE_TYPE = "bagrelay.evidence.v1"
_OF_PARCEL = (
    "bag",
    "needed_width_mm",
    "needed_length_mm",
    "film_area_mm2",
    "film_mass_g",
    "binding",
)


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
    faults = (
        *_unbacked_facts(file, entries),
        *_unbacked_labels(file, entries),
        *_unbacked_order(file, entries),
    )
    cautions = [*proof.cautions]
    withheld = [str(seq) for seq, entry in entries.items() if entry is None]
    if withheld:
        cautions.append(
            f"The texts of entries {', '.join(withheld)} are withheld: that they exist is proved,"
            " what the file shows of them is not."
        )
    if file.ordered and file.ordered.content_base64 is None:
        cautions.append(
            "What was ordered is not proved: the ledger holds only a digest of the order, whose"
            " content is blacked out here."
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
        elif not _same_parcel(file.parcel, entry):
            faults.append(f"The bag shown is not the one that the ledger names for {label.job_id}.")
    return faults


def _same_parcel(parcel: Parcel, created: LedgerEntry) -> bool:
    """Whether the entry that made the label names this bag, and for the same reasons."""
    ours = parcel.model_dump(mode="json")
    named = {name: created.data[name] for name in _OF_PARCEL if name in created.data}
    return "bag" in named and named == {name: ours[name] for name in named}


def _unbacked_order(file: Evidence, entries: dict[int, LedgerEntry | None]) -> list[str]:
    mine = [one for one in entries.values() if one is not None and one.order_id == file.order_id]
    faults = []
    if file.ordered and file.ordered.content_base64 is not None:
        content = b64decode(file.ordered.content_base64)
        digests = [
            one.data.get("content_sha256") for one in mine if one.kind is EntryKind.ORDER_RECEIVED
        ]
        if sha256(content).hexdigest() not in digests:
            faults.append("The order's content is not the one whose digest the ledger holds.")
        elif ordered(content) != file.ordered:
            faults.append("The lines or the address shown are not those of the order's content.")
    shown_reasons = [one.model_dump(mode="json", exclude_none=True) for one in file.turned_down]
    decided = [one.data for one in mine if one.kind is EntryKind.ORDER_DECIDED]
    if file.turned_down and not any(one.get("turned_down") == shown_reasons for one in decided):
        faults.append("The bags that were turned down are not those that the ledger names.")
    return faults
