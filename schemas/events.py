"""Events in and out: CloudEvents 1.0 with types of our own, versioned in their name."""

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import ConfigDict, Field, JsonValue, StringConstraints

from schemas.base import (
    BagId,
    EventId,
    Instant,
    JobId,
    Note,
    OrderId,
    ParcelId,
    Person,
    Record,
    ScanCode,
    StationId,
)
from schemas.goods import MeasuredSize
from schemas.job import JobState
from schemas.order import Order
from schemas.scan import ScanResult
from schemas.station import MachineState


class EventType(StrEnum):
    """Types of the events that the gateway takes."""

    ORDER_SCANNED = "bagrelay.order.scanned.v1"
    LABEL_SCANNED = "bagrelay.label.scanned.v1"
    BAG_ADVANCED = "bagrelay.bag.advanced.v1"
    BAG_PULLED = "bagrelay.bag.pulled.v1"
    BAG_SEALED = "bagrelay.bag.sealed.v1"
    STATION_STATE = "bagrelay.station.state.v1"
    SUPPLY_CHANGED = "bagrelay.supply.changed.v1"
    ITEM_MEASURED = "bagrelay.item.measured.v1"
    ITEM_PRESENT = "bagrelay.item.present.v1"


class OrderScanned(Record):
    """An order was scanned at a station: pack it here."""

    station: StationId
    code: ScanCode
    order: Order | None = None
    """The order itself; fetched from the WMS by `code` where left empty."""
    measured: MeasuredSize | None = None
    """What the station's dimension scanner saw of these goods."""
    operator: Person | None = None


class LabelScanned(Record):
    """The label of a finished bag was read at a station, or was tried and not read."""

    station: StationId
    code: ScanCode | None = None
    """Empty: the scanner tried and read nothing."""
    operator: Person | None = None


class BagAdvanced(Record):
    """The row of printed bags moved one position towards loading."""

    station: StationId
    steps: Annotated[int, Field(ge=1, le=10)] = 1


class BagPulled(Record):
    """A printed bag was taken out of the row, or jammed. 0 is the loading position."""

    station: StationId
    position: Annotated[int, Field(ge=0, le=10)] = 0
    reason: Note = "pulled"
    operator: Person | None = None


class BagSealed(Record):
    """The station sealed a bag."""

    station: StationId
    job_id: JobId | None = None


class StationStateSeen(Record):
    """The station, or a person for it, says what state it is in."""

    station: StationId
    state: MachineState
    detail: str = ""


class SupplyChanged(Record):
    """A roll, a box or a film was changed, or its count was set."""

    station: StationId
    slot: Annotated[int, Field(ge=1, le=40)] = 1
    bag: BagId
    pieces_left: Annotated[int, Field(ge=0)] | None = None
    metres_left: Annotated[float, Field(ge=0)] | None = None
    operator: Person | None = None


class ItemMeasured(Record):
    """A dimension scanner measured goods on a station's infeed."""

    station: StationId
    code: ScanCode
    measured: MeasuredSize


class ItemPresent(Record):
    """Goods arrived at the station's infeed, read by its scanner; no person is needed."""

    station: StationId
    code: ScanCode
    measured: MeasuredSize | None = None


EventData = (
    OrderScanned
    | LabelScanned
    | BagAdvanced
    | BagPulled
    | BagSealed
    | StationStateSeen
    | SupplyChanged
    | ItemMeasured
    | ItemPresent
)

DATA_OF: dict[EventType, type[Record]] = {
    EventType.ORDER_SCANNED: OrderScanned,
    EventType.LABEL_SCANNED: LabelScanned,
    EventType.BAG_ADVANCED: BagAdvanced,
    EventType.BAG_PULLED: BagPulled,
    EventType.BAG_SEALED: BagSealed,
    EventType.STATION_STATE: StationStateSeen,
    EventType.SUPPLY_CHANGED: SupplyChanged,
    EventType.ITEM_MEASURED: ItemMeasured,
    EventType.ITEM_PRESENT: ItemPresent,
}


class CloudEvent(Record):
    """The envelope, CloudEvents 1.0.2. Extension attributes are taken and left alone."""

    model_config = ConfigDict(frozen=True, extra="allow")

    specversion: Literal["1.0"]
    id: EventId
    source: Annotated[str, StringConstraints(min_length=1, max_length=400)]
    type: EventType
    subject: Annotated[str, StringConstraints(min_length=1, max_length=400)] | None = None
    time: Instant | None = None
    datacontenttype: str | None = None
    dataschema: str | None = None
    data: JsonValue


class AcceptedOutcome(StrEnum):
    """What became of an event."""

    QUEUED = "queued"
    MANUAL = "manual"
    ORDER_NOT_FOUND = "order_not_found"
    ALREADY_IN_WORK = "already_in_work"
    ALREADY_PACKED = "already_packed"
    SCAN_JUDGED = "scan_judged"
    RECORDED = "recorded"


class Accepted(Record):
    """The answer to an event: it is durable."""

    source: str
    id: EventId
    repeated: bool
    """The same event had been accepted before; nothing was done again."""
    outcome: AcceptedOutcome
    text: str = ""
    """One sentence for the person at the station."""
    order_id: OrderId | None = None
    parcel_ids: tuple[ParcelId, ...] = ()
    scan: ScanResult | None = None
    """For a label scanned: what the scan proved."""
    status_url: str | None = None


class OutgoingType(StrEnum):
    """Types of the events that the gateway sends."""

    ORDER_DECIDED = "bagrelay.order.decided.v1"
    MANUAL_REQUIRED = "bagrelay.order.manual.v1"
    ORDER_NOT_FOUND = "bagrelay.order.not-found.v1"
    JOB_MOVED = "bagrelay.job.moved.v1"
    PARCEL_VERIFIED = "bagrelay.parcel.verified.v1"
    STATION_HELD = "bagrelay.station.held.v1"
    STATION_RELEASED = "bagrelay.station.released.v1"
    STATION_MOVED = "bagrelay.station.moved.v1"
    LOAD_NOW = "bagrelay.station.load-now.v1"
    SIZE_DISPUTED = "bagrelay.item.size-disputed.v1"
    SUPPLY_LOW = "bagrelay.supply.low.v1"
    SIGNAL_REFUSED = "bagrelay.signal.refused.v1"


class Outgoing(Record):
    """Data of every outgoing event; members that do not apply are left empty."""

    order_id: OrderId | None = None
    parcel_id: ParcelId | None = None
    job_id: JobId | None = None
    station: StationId | None = None
    state: JobState | None = None
    text: str = ""
    facts: dict[str, JsonValue] = {}
