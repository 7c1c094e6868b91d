"""A station: the lines to it, its printer, what it has loaded, and what it says of itself."""

from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from schemas.base import BagId, Instant, JobId, Mm, PositiveMm, Record, Slug, StationId, Text
from schemas.order import LabelLanguage, Purpose


class Media(StrEnum):
    """What the printer prints on."""

    APPLIED_LABEL = "applied_label"
    ON_FILM = "on_film"


class Printer(Record):
    """The station's printer. Dots per mm is the printer's own figure: 8, 11.811, 12, 23.622, 24."""

    language: LabelLanguage = LabelLanguage.ZPL
    dots_per_mm: Annotated[float, Field(ge=5, le=50)] = 8.0
    head_width_mm: PositiveMm = 104.0
    media: Media = Media.APPLIED_LABEL
    label_width_mm: PositiveMm = 101.6
    label_height_mm: PositiveMm = 152.4
    gap_mm: Annotated[float, Field(ge=0, le=30)] = 3.0
    """Between two labels on the liner, for languages that want it said: common practice, no source.

    0 on stock without gaps. Film is always taken as without.
    """
    font_host_images: bool = True
    """Scripts that the printer has no font for may be sent as an image."""


class Role(StrEnum):
    """What a line of a station carries."""

    WHOLE = "whole"
    PRINTER = "printer"
    MACHINE = "machine"
    SCANNER = "scanner"


OptionValue = str | int | float | bool | list[str] | dict[str, str | int | float | bool]


class LineToStation(Record):
    """One connection: its adapter kind and that kind's own options."""

    kind: Slug
    role: Role = Role.WHOLE
    options: dict[str, OptionValue] = {}


class Load(Record):
    """A bag supply that is on the station now."""

    bag: BagId
    slot: Annotated[int, Field(ge=1, le=40)] = 1
    pieces_left: Annotated[int, Field(ge=0)] | None = None
    metres_left: Annotated[float, Field(ge=0)] | None = None
    low_at: Annotated[float, Field(ge=0)] | None = None
    """Pieces or metres at which the supply counts as low."""
    told_low: bool = False
    """The station itself said that it is low, since this was loaded."""


class Verify(StrEnum):
    """Whether a finished label must be scanned before the next step."""

    REQUIRED = "required"
    OPTIONAL = "optional"
    NONE = "none"


class Retry(Record):
    """The station's retry budget, for faults after which a retry is safe.

    In a site file each value that is stated overrides the one of the station's kind.
    """

    attempts: Annotated[int, Field(ge=1, le=100)] = 6
    first_wait_s: Annotated[float, Field(gt=0, le=60)] = 0.2
    longest_wait_s: Annotated[float, Field(gt=0, le=600)] = 10.0
    breaker_faults: Annotated[int, Field(ge=1, le=1000)] = 5
    """Faults in a row that open the station's breaker."""
    breaker_open_s: Annotated[float, Field(gt=0, le=3600)] = 5.0


class Station(Record):
    """A station as the site file states it."""

    id: StationId
    name: Text = ""
    purposes: tuple[Purpose, ...] = (Purpose.OUTBOUND,)
    lines: Annotated[tuple[LineToStation, ...], Field(min_length=1, max_length=6)]
    printer: Printer = Printer()
    loaded: tuple[Load, ...] = ()
    bags_ahead: Annotated[int, Field(ge=0, le=10)] = 0
    """Bags between the print position and the position where goods are loaded."""
    verify: Verify = Verify.REQUIRED
    max_lane: Annotated[int, Field(ge=1, le=10_000)] = 50
    """Jobs that may wait; beyond it a scan is answered 503."""
    stale_after_s: Annotated[float, Field(gt=0)] = 1800.0
    """A job that waited longer is shown to a person before it prints."""
    max_goods_thickness_mm: PositiveMm | None = None
    max_parcel_mass_g: Annotated[float, Field(gt=0)] | None = None
    punches: tuple[Slug, ...] = ()
    label_template: Slug | None = None
    """Overrides the service's template."""
    label_across: bool = False
    """The label's width lies along the bag."""
    measures_items: bool = False
    """A dimension scanner feeds it: a measured size overrides the catalogue."""
    changeover_min: Annotated[float, Field(ge=0, le=240)] = 3.0
    """Minutes to change a roll or box: common practice, no source."""
    changeover_waste_bags: Annotated[int, Field(ge=0, le=50)] = 2
    """Bags that threading spoils: common practice, no source."""
    decide_within_s: Annotated[float, Field(gt=0, le=60)] | None = None
    """Hands-free: go or no-go must be answered in this time."""
    retry: Retry = Retry()

    @model_validator(mode="after")
    def _lines_make_one_station(self) -> Self:
        roles = [line.role for line in self.lines]
        if len(set(roles)) != len(roles):
            raise ValueError("two lines of the station have the same role")
        if Role.WHOLE in roles and (Role.PRINTER in roles or Role.MACHINE in roles):
            raise ValueError("a line with role whole stands for printer and machine")
        if Role.WHOLE not in roles and Role.PRINTER not in roles:
            raise ValueError("no line of the station prints: give one the role whole or printer")
        return self


class MachineState(StrEnum):
    """What a station says of itself; named after the states of ISA-TR88.00.02 where it has one."""

    UNKNOWN = "unknown"
    STOPPED = "stopped"
    IDLE = "idle"
    EXECUTE = "execute"
    HELD = "held"
    SUSPENDED = "suspended"
    COMPLETE = "complete"
    ABORTED = "aborted"
    OFFLINE = "offline"


class StationState(StrEnum):
    """Whether a station's lane may send to it: one state, whatever its machine says of itself."""

    READY = "ready"
    IN_DOUBT = "in_doubt"
    """Its lane stands behind a job whose fate nobody can tell."""
    NEEDS_PERSON = "needs_person"
    """Somebody must go there before it takes a label: out of paper, a guard open."""
    FAULTED = "faulted"
    """Its faults persist: the breaker is open, and the station is looked at now and then."""
    HELD = "held"
    """Nothing is sent until a person releases it."""


class StationCondition(Record):
    """A reading of the station: its machine state and what stands in the way of printing."""

    state: MachineState
    ready: bool | None = None
    """True, false, or not known."""
    faults: tuple[Text, ...] = ()
    labels_left: int | None = None
    labels_printed: int | None = None


class ReceiptStage(StrEnum):
    """How far a job is known to have got, in order."""

    SENT = "sent"
    ACCEPTED = "accepted"
    PRINTED = "printed"
    SEALED = "sealed"


class Receipt(Record):
    """What an adapter knows after a delivery. No wall time: the gateway stamps it."""

    job_id: JobId
    stage: ReceiptStage
    bytes_sent: Annotated[int, Field(ge=0)] = 0
    device_job: Text = ""
    repeated: bool = False
    """The station had seen this job id before and did not print it again."""
    detail: Text = ""


class Fate(StrEnum):
    """What the station answers when it is asked about a job."""

    PRINTED = "printed"
    WAITING = "waiting"
    UNKNOWN_JOB = "unknown_job"
    CANNOT_TELL = "cannot_tell"


class SignalKind(StrEnum):
    """What a station reports by itself."""

    SCAN = "scan"
    BAG_ADVANCED = "bag_advanced"
    BAG_PULLED = "bag_pulled"
    PRINTED = "printed"
    SEALED = "sealed"
    SUPPLY_LOW = "supply_low"
    FILM_CHANGED = "film_changed"
    FAULT = "fault"
    STATE = "state"
    ITEM_MEASURED = "item_measured"
    ITEM_PRESENT = "item_present"


class Signal(Record):
    """One report of a station. `number` counts up per connection so that a repeat is seen."""

    kind: SignalKind
    number: Annotated[int, Field(ge=0)] | None = None
    job_id: JobId | None = None
    code: Annotated[str, Field(max_length=400)] = ""
    position: Annotated[int, Field(ge=0, le=10)] | None = None
    """0 is the loading position."""
    state: MachineState | None = None
    slot: int | None = None
    length_mm: Mm | None = None
    width_mm: Mm | None = None
    height_mm: Mm | None = None
    mass_g: Annotated[float, Field(ge=0)] | None = None
    detail: Text = ""
    signed: bool = False
    """It came signed: its number never begins anew, so a lower one is an old report."""


class StationOrder(Record):
    """What dispatch hands to an adapter: one bag to make or open, with its label."""

    job_id: JobId
    bag: BagId
    slot: int = 1
    width_mm: PositiveMm
    length_mm: PositiveMm
    language: LabelLanguage
    label: Annotated[bytes, Field(max_length=4_000_000)]
    expected_scans: tuple[str, ...] = ()
    seal: bool = True
    punch: Slug | None = None
    repeat_of: JobId | None = None
    deadline: Instant | None = None
