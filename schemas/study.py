"""A planner's study: which questions are asked of past orders, and what the answer says."""

from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from schemas.base import BagId, Instant, Money, Record, Share, Sku, StationId, Text
from schemas.order import Order
from schemas.rules import Aim
from schemas.supply import Bag, Film

Seconds = Annotated[float, Field(ge=0, le=86_400)]


class PastOrder(Record):
    """An order that was packed once, and when its scan came; the time may be unknown."""

    at: Instant | None = None
    order: Order


# --- what is asked --------------------------------------------------------------------------------


class Alternative(Record):
    """Another way to stock the room, to be held against today's: these bags at such a station."""

    name: Annotated[Text, Field(min_length=1)]
    bags: Annotated[tuple[BagId, ...], Field(min_length=1, max_length=200)]
    station: StationId | None = None
    """The station of the site file that stands as pattern; the study's own where left empty."""


class Pack(Record):
    """How a bag is bought: so many pieces in a box or on a roll, or so many metres on a roll."""

    bag: BagId
    pieces: Annotated[int, Field(gt=0)] | None = None
    metres: Annotated[float, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if (self.pieces is None) == (self.metres is None):
            raise ValueError(f"pack of {self.bag}: state either pieces or metres")
        return self


class Reserve(Record):
    """How much is to be in stock, and where orders carry no times, how many days they took."""

    days: Annotated[float, Field(gt=0, le=3660)] | None = None
    """Working days that the orders stand for; counted from their times where these are known."""
    cover_days: Annotated[float, Field(gt=0, le=366)] = 10.0
    """Working days that an order of bags is to last."""
    margin_share: Annotated[float, Field(ge=0, le=5)] = 0.1
    """... and so much more: common practice, no source."""


class CountedBy(StrEnum):
    """How the number of stations was found."""

    REPLAY = "replay"
    """The orders' own times, first come first served."""
    FORMULA = "formula"
    """Erlang C for a stated or measured rate."""


class StationGoal(Record):
    """How long the work takes at one station and how soon orders are to start."""

    seconds_per_order: Seconds = 0.0
    """Scan the order, fetch its goods."""
    seconds_per_bag: Annotated[float, Field(gt=0, le=3600)]
    """One cycle with the hands' part: print, open or make, load, seal, take away."""
    seconds_per_piece: Seconds = 0.0
    """On top, for each piece that is loaded."""
    availability: Annotated[float, Field(gt=0, le=1)] = 0.85
    """Share of the time that a manned station can work; changeovers and jams take the rest."""
    start_within_s: Seconds = 300.0
    share_within: Annotated[float, Field(gt=0, lt=1)] = 0.95
    """Share of orders whose work is to start within that wait."""
    peak_orders_per_hour: Annotated[float, Field(gt=0, le=1_000_000)] | None = None
    """For orders without times, or to plan for a busier hour than any of them saw."""


class StudyFile(Record):
    """The questions of a study. Lengths in mm, prices in the site's money."""

    station: StationId
    """The station of the site file whose printer, limits and rules the bags are tried with."""
    candidates: Annotated[tuple[BagId, ...], Field(min_length=1, max_length=200)]
    """Bags to choose from, of the site file or of this one."""
    keep: tuple[BagId, ...] = ()
    """Candidates that must be among the chosen: sizes already in stock. They count as sizes."""
    today: tuple[BagId, ...] = ()
    """What is used now; what the station has loaded where left empty."""
    most_sizes: Annotated[int, Field(ge=1, le=40)] = 8
    """How far the curve goes."""
    look_at: Annotated[int, Field(ge=1, le=40)] | None = None
    """The number of sizes that stock, stations and alternatives are told for; else the last."""
    aim: Aim | None = None
    """Least film or least cost; the site's where left empty."""
    slots: Annotated[int, Field(ge=1, le=400)] | None = None
    """Bag supplies that all stations together hold at once: decides about changeovers."""
    film: tuple[Film, ...] = ()
    bag: tuple[Bag, ...] = ()
    alternative: Annotated[tuple[Alternative, ...], Field(max_length=20)] = ()
    pack: tuple[Pack, ...] = ()
    reserve: Reserve | None = None
    stations: StationGoal | None = None


# --- what is answered -----------------------------------------------------------------------------


class Totals(Record):
    """What all orders of a study take with one list of bags, as the fit decides each of them."""

    orders: int
    packed: int
    manual: int
    """Orders that no bag of the list takes, whole or in parcels."""
    parcels: int
    film_m2: float
    film_kg: float
    bag_cost: Money | None
    """Bags or film alone; empty where a price is not known."""
    cost: Money | None
    """Bags, labels and the service's price, where all are known."""
    void_share: Share | None
    """Mean over parcels of the share of a bag's estimated capacity that holds no goods."""
    changeovers: int | None
    """Empty where the orders' times or the number of slots are not known."""
    changeover_minutes: float | None
    manual_share: Share


class CurvePoint(Record):
    """The best choice of at most so many sizes."""

    sizes: int
    bags: tuple[BagId, ...]
    totals: Totals
    missed_parcels: int
    """Parcels that would be parted further or go to manual packing for want of a size."""
    proved: bool
    """No other choice of so many sizes is better by the aim."""
    at_most_better_by: float
    """Where it is not proved: no choice that misses as few parcels is better by more than this, in
    m2 of film or in money."""
    gain: str
    """What the last size gains over one size less, in words."""
    text: str


class Difference(Record):
    """An alternative against today's bags over the orders that both of them pack."""

    orders: int
    film_m2: float
    """Below zero: it takes less."""
    film_kg: float
    bag_cost: float | None
    cost: float | None
    film_share: float | None
    parcels: int


class FormAnswer(Record):
    """One way to stock the room: all orders with it, and how it differs from today's."""

    name: Text
    station: StationId
    bags: tuple[BagId, ...]
    totals: Totals
    against_today: Difference | None = None
    text: str = ""


class StationsTried(Record):
    """How orders would have waited with so many stations."""

    stations: int
    share_within: Share
    mean_wait_s: float | None
    """Empty where so many stations never catch up."""
    longest_wait_s: float | None = None
    """Known from a replay only."""
    busy_share: Annotated[float, Field(ge=0)]
    """Share of the stations' time that work takes; from a replay, of the time orders came in."""


class StationsAnswer(Record):
    """How many stations are needed."""

    by: CountedBy
    stations: int
    orders_per_hour: float
    """Of the busiest hour, or as stated."""
    seconds_per_order: float
    """Mean time that an order holds a station, availability counted in."""
    tried: tuple[StationsTried, ...]
    text: str


class Consumption(Record):
    """What is used of one bag, and how much to order."""

    bag: BagId
    pieces: int
    spoiled: int
    """On top, spoiled by threading at changeovers."""
    metres: float | None
    """Of tubing or film, spoiled bags included."""
    film_m2: float
    share_of_parcels: Share
    pieces_per_day: float
    busiest_day_pieces: int | None
    pieces_to_order: int
    metres_to_order: float | None
    packs_to_order: int | None
    text: str = ""


class ManualCause(Record):
    """Why orders can't be bagged by any candidate."""

    code: str
    text: str
    """As the first of the articles says it, or one of the orders."""
    orders: int
    articles: tuple[Sku, ...]
    """Those that fit no candidate even alone, the most frequent first; at most ten."""


class StudyAnswer(Record):
    """All that a study answers, in data and in sentences."""

    orders: int
    contents: int
    """Different orders by content; each was asked of the fit once."""
    repeated: int
    """Lines that named an order a second time and were left out."""
    elsewhere: int
    """Orders that the station takes not, by their purpose; left out."""
    first: Instant | None
    last: Instant | None
    days: float | None
    aim: Aim
    station: StationId
    unbaggable: tuple[ManualCause, ...]
    curve: tuple[CurvePoint, ...]
    look_at: int
    forms: tuple[FormAnswer, ...]
    stations: tuple[StationsAnswer, ...]
    stock: tuple[Consumption, ...]
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]
