"""What can be wrong with a chain of stored entries, and which of it a bad row shows."""

from dataclasses import dataclass
from enum import StrEnum
from hashlib import sha256

import orjson
from pydantic import JsonValue

StoredRow = tuple[
    int, bytes, bytes, str, str | None, str | None, str | None, str | None, str | None, str
]
"""seq, canonical text, hash (32 bytes), then the columns kind, order_id, parcel_id, job_id,
station, event_id and time; time is the same RFC 3339 text as in the entry."""

_COLUMNS = ("kind", "order_id", "parcel_id", "job_id", "station", "event_id", "time")


@dataclass(frozen=True, slots=True)
class ChainHead:
    """The last entry of a chain: its number and its hash in hex."""

    seq: int
    hash: str


class ChainFault(StrEnum):
    """What is wrong with a chain."""

    CHANGED = "changed"
    """A text or its hash is not what was written."""
    REMOVED = "removed"
    """Entries are missing between others."""
    INSERTED = "inserted"
    """An entry stands where none was written."""
    REORDERED = "reordered"
    """Entries stand in each other's places."""
    COLUMN = "column"
    """A search column contradicts the entry's text."""
    TAIL_CUT = "tail_cut"
    """Entries that a signed checkpoint counts are not there."""
    REWRITTEN = "rewritten"
    """The chain holds together but is not the one that was signed."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A fault, the first entry that it touches, and one sentence about it."""

    fault: ChainFault
    seq: int
    text: str


def explain(head: ChainHead, row: StoredRow, following: StoredRow | None) -> Finding | None:
    """Say what is wrong with the row after `head`, or None where it is well.

    `following` is the row after it, which tells a changed entry from one put in; None at the end.
    """
    seq, text, stored = row[:3]
    if seq != head.seq + 1:
        return _misnumbered(seq, head.seq + 1, following)
    if sha256(text).digest() != stored:
        return Finding(
            ChainFault.CHANGED,
            seq,
            f"Entry {seq} was changed: its text does not have the hash that is stored with it.",
        )
    entry = _parse(text)
    if entry is None:
        why = f"Entry {seq} is no entry: its text is not a JSON object."
        return Finding(ChainFault.CHANGED, seq, why)
    own = entry.get("seq")
    if own != seq:
        return _misplaced(seq, own, following)
    if entry.get("prev") != head.hash:
        return _torn(seq, head, stored, following)
    return _contradicted(seq, entry, row)


def _parse(text: bytes) -> dict[str, JsonValue] | None:
    try:
        entry = orjson.loads(text)
    except ValueError:
        return None
    return entry if isinstance(entry, dict) else None


def _contradicted(seq: int, entry: dict[str, JsonValue], row: StoredRow) -> Finding | None:
    for name, value in zip(_COLUMNS, row[3:], strict=True):
        if entry.get(name) != value:
            why = (
                f"Entry {seq}: the column {name} says {value!r}, the sealed entry says"
                f" {entry.get(name)!r}."
            )
            return Finding(ChainFault.COLUMN, seq, why)
    return None


def _misnumbered(seq: object, expected: int, following: StoredRow | None) -> Finding:
    if not isinstance(seq, int):  # SQLite keeps anything in any column, sorted behind numbers
        why = f"After entry {expected - 1} stands a row numbered {seq!r}: it was put in."
        return Finding(ChainFault.INSERTED, expected, why)
    if seq < expected:
        why = f"Entry {seq} comes again after entry {expected - 1}: one of them was put in."
        return Finding(ChainFault.INSERTED, seq, why)
    if following is not None and following[0] == expected:
        why = f"Entry {seq} comes before entry {expected}: their order was changed."
        return Finding(ChainFault.REORDERED, expected, why)
    last = seq - 1
    gap = f"Entry {last} is" if last == expected else f"Entries {expected} to {last} are"
    return Finding(ChainFault.REMOVED, expected, f"{gap} missing before entry {seq}.")


def _misplaced(seq: int, own: JsonValue, following: StoredRow | None) -> Finding:
    """The row stands at `seq` but was sealed under another number."""
    if not isinstance(own, int) or isinstance(own, bool):
        why = f"Entry {seq} was changed: its text has no number."
        return Finding(ChainFault.CHANGED, seq, why)
    if own < seq:
        why = (
            f"Two entries were sealed as number {own}: one was put in at {own} or after, and"
            f" what stands at {seq} was moved up."
        )
        return Finding(ChainFault.INSERTED, own, why)
    after = _parse(following[1]) if following is not None else None
    if after is not None and after.get("seq") == seq:
        why = (
            f"At {seq} stands what was sealed as entry {own}, and entry {seq} comes after it:"
            " their order was changed."
        )
        return Finding(ChainFault.REORDERED, seq, why)
    why = (
        f"At {seq} stands what was sealed as entry {own}: entry {seq} is missing and those"
        " after it were moved up."
    )
    return Finding(ChainFault.REMOVED, seq, why)


def _torn(seq: int, head: ChainHead, stored: bytes, following: StoredRow | None) -> Finding:
    """Entry `seq` does not follow the one before it. Who is false shows in the one after."""
    if head.seq == 0:
        why = "Entry 1 was replaced: it is not sealed as the first of a ledger."
        return Finding(ChainFault.CHANGED, 1, why)
    after = _parse(following[1]) if following is not None else None
    if after is not None and after.get("prev") != stored.hex():
        why = (
            f"Entry {seq} was replaced: it was not sealed upon entry {head.seq}, and entry"
            f" {seq + 1} was not sealed upon it."
        )
        return Finding(ChainFault.CHANGED, seq, why)
    why = f"Entry {head.seq} was replaced: entry {seq} was sealed upon another one."
    return Finding(ChainFault.CHANGED, head.seq, why)
