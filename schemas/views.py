"""What the read side answers: stations, orders, parcels, the work list."""

from typing import Annotated

from pydantic import Field, JsonValue

from schemas.base import Instant, JobId, OrderId, ParcelId, Record, StationId
from schemas.decision import Decision, Outcome
from schemas.job import JobState, LabelJob
from schemas.ledger import LedgerEntry
from schemas.station import Load, MachineState, StationState


class HoldView(Record):
    """Why a station stands."""

    since: Instant
    kind: str
    text: str
    job_id: JobId | None = None


class RowBag(Record):
    """One printed bag between printing and loading."""

    position: int
    job_id: JobId
    order_id: OrderId
    parcel_id: ParcelId
    expected_scans: tuple[str, ...]


class StationView(Record):
    """A station now."""

    station: StationId
    name: str
    machine_state: MachineState
    state_detail: str
    state: StationState
    """Whether its lane may send, the same on every gateway."""
    state_since: Instant | None
    held: HoldView | None
    waits_for: str
    """What stands in the way of sending, as this gateway sees it; a hint. Empty for nothing."""
    signal_refused: str
    """Why the last scan or item that came by the station's own line was not taken; else empty."""
    breaker_open: bool
    sends_here: bool
    """Whether this gateway process is the one that sends to the station."""
    lane_length: int
    sending: JobId | None
    in_doubt: JobId | None
    load_now: RowBag | None
    """The bag at the loading position: these goods and no others belong into it."""
    row: tuple[RowBag, ...]
    loaded: tuple[Load, ...]
    last_scan: dict[str, JsonValue] | None


class WaitingJob(Record):
    """A job that waits for a person, with the question that it asks."""

    job_id: JobId
    order_id: OrderId
    station: StationId
    state: JobState
    since: Instant
    question: str
    answers: tuple[str, ...]
    note: str


class WorkList(Record):
    """Everything that waits for a person."""

    holds: tuple[StationView, ...]
    jobs: tuple[WaitingJob, ...]
    manual: tuple["OrderSummary", ...]


class OrderSummary(Record):
    """An order in a list: no personal data."""

    order_id: OrderId
    station: StationId
    outcome: Outcome
    received: Instant
    text: str


class ParcelView(Record):
    """A parcel with every job it ever had."""

    parcel_id: ParcelId
    order_id: OrderId
    number: int
    of: int
    jobs: tuple[LabelJob, ...]
    verified_by: str | None
    verified_at: Instant | None


class OrderStory(Record):
    """One order from scan to verified bag, with the ledger entries that prove it."""

    order_id: OrderId
    scan_code: str
    station: StationId
    received: Instant
    content_sha256: str
    erased: bool
    decision: Decision
    parcels: tuple[ParcelView, ...]
    entries: tuple[LedgerEntry, ...]


class LabelBytes(Record):
    """A label as sent; `content_base64` is empty once the bytes were erased."""

    sha256: str
    language: str
    content_base64: str | None
    jobs: Annotated[tuple[JobId, ...], Field()] = ()
