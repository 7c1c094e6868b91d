"""The evidence file of one parcel: what was ordered, which bag and why, the label, every attempt,
the verifying scan, and the proof that all of it stands in the ledger.

Values in, values out: whoever calls hands over the order, the labels and the entries.
"""

from base64 import b64decode, b64encode
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from gateway.ledger.proof import EntriesProof, withhold
from schemas.base import Instant, Record, Sha256
from schemas.decision import Parcel, TurnedDown
from schemas.ledger import EntryKind, LedgerEntry
from schemas.order import Address, Order

BLACK = "████"
"""Stands for what was blacked out."""

_GATEWAY = frozenset({"gateway"})


class OrderedLine(Record):
    """One line of the order."""

    line_id: str
    sku: str
    description: str
    quantity: int


class Ordered(Record):
    """What was ordered, and for whom.

    `content_base64` is the order as the site keeps it, whose digest the ledger holds: with it the
    lines and the address are proved too. Empty where it is blacked out.
    """

    lines: tuple[OrderedLine, ...]
    ship_to: Address | None
    content_base64: str | None = None


class ShownLabel(Record):
    """One label that was made for the parcel, as bytes and as a picture."""

    job_id: str
    language: str
    sha256: Sha256
    expected_scans: tuple[str, ...]
    content_base64: str | None = None
    picture_png_base64: str | None = None
    note: str = ""
    """Why bytes or picture are not here."""


class Attempt(Record):
    """One move of one label job."""

    seq: int
    time: Instant
    job_id: str
    station: str
    was: str
    became: str
    reason: str
    actor: str


class Reading(Record):
    """One scan of a finished label."""

    seq: int
    time: Instant
    job_id: str | None
    station: str
    code: str | None
    verdict: str
    accepted: bool
    """The scan counted: it was the right label, read where one was waited for."""
    actor: str


class Evidence(Record):
    """The whole file. `ordered` and a label's content are empty once they were erased."""

    type: Literal["bagrelay.evidence.v1"] = "bagrelay.evidence.v1"
    site: str
    time_zone: str
    made: Instant
    blacked_out: bool
    """Names, addresses and what people typed were taken out of it."""
    order_id: str
    parcel_id: str
    station: str
    ordered: Ordered | None
    parcel: Parcel
    turned_down: tuple[TurnedDown, ...]
    labels: tuple[ShownLabel, ...]
    attempts: tuple[Attempt, ...]
    readings: tuple[Reading, ...]
    proof: EntriesProof | None

    @property
    def verified(self) -> Reading | None:
        """The reading that proved the label right, for a label that was not void afterwards."""
        void = {one.job_id for one in self.attempts if one.became in {"void", "cancelled"}}
        good = [one for one in self.readings if one.accepted and one.job_id not in void]
        return next((one for one in good if one.verdict == "match"), None)


@dataclass(frozen=True, slots=True)
class LabelMade:
    """A label as the store has it; `content` is None once it was erased.

    `blacked_png` is the picture without what may show a name or an address, as
    `gateway.ledger.label_pictures` makes it; None where it can't be made.
    """

    job_id: str
    language: str
    sha256: str
    expected_scans: tuple[str, ...]
    content: bytes | None
    picture_png: bytes | None
    blacked_png: bytes | None = None


@dataclass(frozen=True, slots=True)
class Parts:
    """All that an evidence file is made from. `entries` are the ledger's about the order."""

    site: str
    time_zone: str
    order_id: str
    parcel_id: str
    station: str
    order_content: bytes | None
    """The order as the store keeps it, JSON; None once it was erased."""
    parcel: Parcel
    turned_down: tuple[TurnedDown, ...]
    labels: tuple[LabelMade, ...]
    entries: tuple[LedgerEntry, ...]
    proof: EntriesProof | None


def evidence(
    parts: Parts,
    made: datetime,
    *,
    black_out: bool = False,
    machines: Collection[str] = _GATEWAY,
) -> Evidence:
    """Put the file together.

    With `black_out` it holds no name and no address: the address is blacked out, label bytes are
    left out, the blacked pictures stand for the whole ones, and whoever acted is blacked out with
    the words that they gave, unless named in `machines`; the proof keeps those entries' texts
    back.
    """
    hidden = _Hidden(black_out, frozenset(machines))
    facts = [shown(one, hidden) for one in parts.entries if one.parcel_id == parts.parcel_id]
    proof = parts.proof
    if proof and black_out:
        proof = withhold(proof, {one.seq for one in parts.entries if hidden.hides(one)})
    return Evidence(
        site=parts.site,
        time_zone=parts.time_zone,
        made=made,
        blacked_out=black_out,
        order_id=parts.order_id,
        parcel_id=parts.parcel_id,
        station=parts.station,
        ordered=_ordered(parts.order_content, black_out=black_out) if parts.order_content else None,
        parcel=parts.parcel,
        turned_down=parts.turned_down,
        labels=tuple(_label(one, black_out=black_out) for one in parts.labels),
        attempts=tuple(fact for fact in facts if isinstance(fact, Attempt)),
        readings=tuple(fact for fact in facts if isinstance(fact, Reading)),
        proof=proof,
    )


def to_json(file: Evidence) -> str:
    """Return the file as JSON."""
    return file.model_dump_json(indent=2) + "\n"


@dataclass(frozen=True, slots=True)
class _Hidden:
    """Whose names and words are blacked out."""

    black_out: bool
    machines: frozenset[str]

    def hides(self, entry: LedgerEntry) -> bool:
        return self.black_out and entry.actor not in self.machines

    def actor(self, entry: LedgerEntry) -> str:
        return BLACK if self.hides(entry) else entry.actor

    def words(self, entry: LedgerEntry, text: str) -> str:
        return BLACK if text and self.hides(entry) else text


def ordered(content: bytes) -> Ordered:
    """Return what the file shows of an order, from the order as the store keeps it."""
    order = Order.model_validate_json(content)
    lines = tuple(
        OrderedLine(
            line_id=line.line_id,
            sku=line.item.sku,
            description=line.item.description,
            quantity=line.quantity,
        )
        for line in order.lines
    )
    return Ordered(lines=lines, ship_to=order.ship_to, content_base64=b64encode(content).decode())


def _ordered(content: bytes, *, black_out: bool) -> Ordered:
    whole = ordered(content)
    if not black_out:
        return whole
    to = whole.ship_to
    if to:
        to = Address(name=BLACK, lines=(BLACK,), city=BLACK, country=to.country)
    return Ordered(lines=whole.lines, ship_to=to)


def _label(made: LabelMade, *, black_out: bool) -> ShownLabel:
    content, picture, note = made.content, made.picture_png, ""
    if content is None:
        note = "The label's bytes were erased when their time was up; their digest stays."
    if black_out:
        content, picture = None, made.blacked_png
        note = "The label's bytes carry the address and are left out; their digest stays."
        if picture is None:
            note += " So is the picture, which could not be blacked out."
    return ShownLabel(
        job_id=made.job_id,
        language=made.language,
        sha256=made.sha256,
        expected_scans=made.expected_scans,
        content_base64=b64encode(content).decode() if content is not None else None,
        picture_png_base64=b64encode(picture).decode() if picture is not None else None,
        note=note,
    )


def shown(entry: LedgerEntry, hidden: _Hidden | None = None) -> Attempt | Reading | None:
    """Return what the file shows of an entry; None for kinds that it does not show."""
    hidden = hidden or _Hidden(black_out=False, machines=_GATEWAY)
    if entry.kind in {EntryKind.JOB_CREATED, EntryKind.JOB_MOVED}:
        return Attempt(
            seq=entry.seq,
            time=entry.time,
            job_id=entry.job_id or "",
            station=entry.station or "",
            was=str(entry.data.get("from", "")),
            became=str(entry.data.get("to", "queued")),
            reason=hidden.words(entry, str(entry.data.get("reason") or "")),
            actor=hidden.actor(entry),
        )
    if entry.kind in {EntryKind.SCAN_VERIFIED, EntryKind.SCAN_REFUSED}:
        code = entry.data.get("code")
        return Reading(
            seq=entry.seq,
            time=entry.time,
            job_id=entry.job_id,
            station=entry.station or "",
            code=str(code) if code is not None else None,
            verdict=str(entry.data.get("verdict", "")),
            accepted=entry.kind is EntryKind.SCAN_VERIFIED,
            actor=hidden.actor(entry),
        )
    return None


def picture_of(label: ShownLabel) -> bytes | None:
    """Return the label's picture, PNG."""
    return b64decode(label.picture_png_base64) if label.picture_png_base64 else None


def content_of(label: ShownLabel) -> bytes | None:
    """Return the label's bytes."""
    return b64decode(label.content_base64) if label.content_base64 else None
