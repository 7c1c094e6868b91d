"""The verifying scan and what came of it."""

from enum import StrEnum

from schemas.base import JobId, OrderId, ParcelId, Record, ScanCode, StationId


class ScanVerdict(StrEnum):
    """What a verifying scan proved."""

    MATCH = "match"
    REPEAT = "repeat"
    """The bag was verified before; scanned again."""
    SHIFTED = "shifted"
    """The code of a neighbour in the row of printed bags."""
    OTHER_ORDER = "other_order"
    OTHER_STATION = "other_station"
    OLD_LABEL = "old_label"
    """A label that was voided, cancelled or verified long ago."""
    UNKNOWN_CODE = "unknown_code"
    NO_READ = "no_read"
    NOTHING_EXPECTED = "nothing_expected"


class ScanResult(Record):
    """The verdict, what was expected and where the code that was read belongs."""

    verdict: ScanVerdict
    station: StationId
    code: ScanCode | None
    expected: tuple[str, ...] = ()
    job_id: JobId | None = None
    parcel_id: ParcelId | None = None
    order_id: OrderId | None = None
    belongs_to_order: OrderId | None = None
    belongs_to_station: StationId | None = None
    shifted_by: int | None = None
    holds_station: bool = False
    text: str
    """One sentence for the person at the station."""
