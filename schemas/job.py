"""A label job: one bag of one order on one station, from decision to verified."""

from enum import StrEnum

from schemas.base import Instant, JobId, OrderId, ParcelId, Record, Sha256, StationId
from schemas.decision import Parcel


class JobState(StrEnum):
    """Where a job stands. The allowed moves are one table in dispatch."""

    QUEUED = "queued"
    """Decided and labelled; waits in its lane."""
    STALE = "stale"
    """Waited too long: a person says print or cancel."""
    SENDING = "sending"
    """Bytes may be leaving."""
    SENT = "sent"
    """All bytes left; the line proves no more."""
    PRINTED = "printed"
    """The station said that it printed."""
    IN_DOUBT = "in_doubt"
    """Nobody knows whether it printed; the lane stands until it is settled."""
    REFUSED = "refused"
    """The station refused it; a person must act."""
    VERIFIED = "verified"
    """The label was read from the finished bag and is right."""
    CLOSED = "closed"
    """Done at a station that needs no verifying scan."""
    VOID = "void"
    """The bag or label was made, or may have been, and must not leave."""
    CANCELLED = "cancelled"
    """Never printed and never will be."""


class LabelJob(Record):
    """A label job as the API shows it; the label itself is named by digest."""

    job_id: JobId
    order_id: OrderId
    parcel_id: ParcelId
    station: StationId
    state: JobState
    lane_position: int
    """Rises along the lane: the order in which jobs are sent."""
    attempt: int
    label_sha256: Sha256
    expected_scans: tuple[str, ...]
    parcel: Parcel
    reprint_of: JobId | None = None
    row_position: int | None = None
    """Place in the row of printed bags, 0 at the loading position; empty when not in the row."""
    created: Instant
    changed: Instant
    note: str = ""
