"""What the fit decides: parcels, bags, layouts, and why."""

from enum import StrEnum
from typing import Annotated

from pydantic import Field

from schemas.base import BagId, FilmId, LineId, OrderId, Record, Sku, Slug, StationId
from schemas.supply import BagForm


class Outcome(StrEnum):
    """Where an order goes."""

    PACKED = "packed"
    MANUAL = "manual"


class ReasonCode(StrEnum):
    """Why a bag was turned down or an order goes to manual packing."""

    TOO_WIDE = "too_wide"
    TOO_LONG = "too_long"
    TOO_THICK = "too_thick"
    TOO_HEAVY = "too_heavy"
    NO_SIZE = "no_size"
    NO_MASS = "no_mass"
    SIZE_DISPUTED = "size_disputed"
    SIZE_ABSURD = "size_absurd"
    TOO_MANY_PIECES = "too_many_pieces"
    NO_BAG_LOADED = "no_bag_loaded"
    NO_BAG_FITS = "no_bag_fits"
    LABEL_SPACE = "label_space"
    FILM_DARK = "film_dark"
    FILM_NOT_CLEAR = "film_not_clear"
    WARNING_MISSING = "warning_missing"
    OPENING_MISSING = "opening_missing"
    SPILL = "spill"
    DANGEROUS_GOODS = "dangerous_goods"
    SERVICE_LIMIT = "service_limit"
    RULE = "rule"
    MORE_FILM = "more_film"
    """The bag would take the goods; the one that was taken uses less film, or was loaded first."""
    COSTS_MORE = "costs_more"
    SUPPLY_OUT = "supply_out"
    PARCELS_NOT_LABELLED = "parcels_not_labelled"
    ORDER_UNREADABLE = "order_unreadable"
    LABEL_REFUSED = "label_refused"
    TOO_LATE = "too_late"


class Reason(Record):
    """A reason in words and numbers. `needed` and `available` share one unit, named in `unit`."""

    code: ReasonCode
    text: str
    rule: str | None = None
    needed: float | None = None
    available: float | None = None
    unit: str | None = None


class Piece(Record):
    """Where one piece lies. x runs along the bag from its bottom seal, y across, z up; mm."""

    line_id: LineId
    piece: int
    """1 for the first piece of the line."""
    x_mm: float
    y_mm: float
    z_mm: float
    dx_mm: float
    dy_mm: float
    dz_mm: float
    shape: str = "box"


class ChosenBag(Record):
    """The bag to open or make: outer flat size."""

    id: BagId
    form: BagForm
    film: FilmId
    width_mm: float
    length_mm: float


class TurnedDown(Record):
    """A bag that was not taken, with every reason that stood against it."""

    station: StationId
    bag: BagId
    reasons: Annotated[tuple[Reason, ...], Field(min_length=1)]


class Parcel(Record):
    """One bag with what goes into it."""

    station: StationId
    bag: ChosenBag
    pieces: tuple[Piece, ...]
    mass_g: float | None
    """Goods and bag; empty where a mass is not known."""
    needed_width_mm: float
    """Smallest outer flat width that would hold the goods, ease and side seals included."""
    needed_length_mm: float
    """Smallest outer length, ease, seals and header included."""
    goods_size_mm: tuple[float, float, float]
    """Along the bag, across, up."""
    film_area_mm2: float
    """All film of the bag: both panels, seals, skirt, header and lip."""
    film_mass_g: float
    void_share: float
    """Share of the bag's estimated capacity that holds no goods."""
    margin_width_mm: float
    margin_length_mm: float
    binding: str
    """Which demand set the size: width, length, thickness, label or stock."""
    outer_size_mm: tuple[float, float, float] | None = None
    """The filled bag along, across, up, at its fullest, with the film that sticks out."""
    billed_mass: float | None = None
    """What the service bills, in its own unit: the larger of mass and dimensional weight."""
    cost: float | None = None
    warning_text: Slug | None = None
    """Name of the suffocation warning that the label must carry, where the bag needs one."""
    warning_type_pt: float | None = None
    """Least type of that warning, in points of 1/72 inch, where its text states one."""
    warnings: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    """Names of the site's rules that had a say."""
    text: str = ""
    """The bag and what set its size, in a sentence."""


class SizeDispute(Record):
    """The scanner and the catalogue disagree on an article: somebody must mend the catalogue."""

    line_id: LineId
    sku: Sku
    catalogue_mm: tuple[float, float, float]
    """Longest side first."""
    measured_mm: tuple[float, float, float]
    """Longest side first."""
    off_by_mm: float
    """The largest difference of a side."""
    text: str


class Decision(Record):
    """The answer for one order."""

    order_id: OrderId
    outcome: Outcome
    reasons: tuple[Reason, ...] = ()
    parcels: tuple[Parcel, ...] = ()
    lower_bound_film_area_mm2: float = 0.0
    """No packing of the order into as many parcels, in the bags asked about, uses less film."""
    lower_bound_parcels: int = 0
    """No packing at the stations asked takes fewer parcels: where it is their number, that is
    proved to be the fewest."""
    turned_down: tuple[TurnedDown, ...] = ()
    warnings: tuple[str, ...] = ()
    disputed: tuple[SizeDispute, ...] = ()
    """Sizes in dispute. The order is packed by the measured size; the dispute goes to a person."""
