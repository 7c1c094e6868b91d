"""The ledger: what happened, in an order that cannot be changed unseen."""

from enum import StrEnum

from pydantic import JsonValue

from schemas.base import Instant, Record, Sha256


class EntryKind(StrEnum):
    """Every kind of fact that the ledger holds."""

    GATEWAY_STARTED = "gateway.started"
    SITE_LOADED = "site.loaded"
    EVENT_ACCEPTED = "event.accepted"
    ORDER_RECEIVED = "order.received"
    ORDER_NOT_FOUND = "order.not_found"
    ORDER_DECIDED = "order.decided"
    ORDER_MANUAL = "order.manual"
    SIZE_DISPUTED = "size.disputed"
    JOB_CREATED = "job.created"
    JOB_MOVED = "job.moved"
    LABEL_MADE = "label.made"
    SCAN_VERIFIED = "scan.verified"
    SCAN_REFUSED = "scan.refused"
    STATION_HELD = "station.held"
    STATION_RELEASED = "station.released"
    STATION_STATE = "station.state"
    STATION_MOVED = "station.moved"
    DOUBT_SETTLED = "doubt.settled"
    ROW_CHANGED = "row.changed"
    ROW_REPAIRED = "row.repaired"
    SUPPLY_CHANGED = "supply.changed"
    SUPPLY_LOW = "supply.low"
    SIGNAL_REFUSED = "signal.refused"
    LANE_LEASED = "lane.leased"
    CASE_OPENED = "case.opened"
    CASE_CHANGED = "case.changed"
    ERASED = "payload.erased"
    ACCESS_CHANGED = "access.changed"
    CHECKPOINT = "checkpoint"
    ARCHIVED = "ledger.archived"
    RESTORED = "store.restored"


class LedgerEntry(Record):
    """One entry. `hash` is SHA-256 over the RFC 8785 JSON of all other members."""

    seq: int
    time: Instant
    kind: EntryKind
    order_id: str | None = None
    parcel_id: str | None = None
    job_id: str | None = None
    station: str | None = None
    event_id: str | None = None
    actor: str
    """Who or what did it: gateway, a key's name, a person where the site records people."""
    data: dict[str, JsonValue]
    """Facts and digests. No address, no label bytes."""
    prev: Sha256
    hash: Sha256


class Checkpoint(Record):
    """The signed state of the ledger at a size: a cut-off tail shows against it."""

    origin: str
    size: int
    root: Sha256
    last_hash: Sha256
    time: Instant
    public_key: str
    signature: str
