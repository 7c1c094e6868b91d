"""Packing rules and services: data of the site, not code."""

from datetime import date
from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from schemas.base import (
    BagId,
    FilmId,
    Grams,
    Mm,
    Money,
    Person,
    PositiveMm,
    Record,
    Slug,
    StationId,
)
from schemas.goods import Shape
from schemas.order import Purpose
from schemas.supply import BagForm


class OrderCondition(Record):
    """True when every stated part holds; an empty tuple says nothing."""

    purpose: tuple[Purpose, ...] = ()
    service: tuple[Slug, ...] = ()
    any_tag: tuple[Slug, ...] = ()
    country: tuple[str, ...] = ()


class ItemCondition(Record):
    """True for a parcel when one of its items meets every stated part."""

    goods_class: tuple[str, ...] = ()
    shape: tuple[Shape, ...] = ()
    sku: tuple[str, ...] = ()
    fragile: bool | None = None
    sharp: bool | None = None
    liquid: bool | None = None
    inner_bag: bool | None = None
    dangerous: bool | None = None
    own_pack: bool | None = None
    mass_over_g: Grams | None = None
    longest_side_over_mm: PositiveMm | None = None


class BagCondition(Record):
    """True for a bag that meets every stated part."""

    id: tuple[BagId, ...] = ()
    form: tuple[BagForm, ...] = ()
    film: tuple[FilmId, ...] = ()
    clear: bool | None = None
    thickness_below_um: Annotated[float, Field(gt=0)] | None = None
    thickness_from_um: Annotated[float, Field(gt=0)] | None = None
    flat_opening_from_mm: Mm | None = None
    """Flat width of the mouth, not its diameter and not its girth."""


class StationCondition(Record):
    """True at the named stations."""

    id: tuple[StationId, ...] = ()


class Condition(Record):
    """All four parts must hold; an empty one always does."""

    order: OrderCondition = OrderCondition()
    item: ItemCondition = ItemCondition()
    bag: BagCondition = BagCondition()
    station: StationCondition = StationCondition()


class BagDemand(StrEnum):
    """What a rule may demand of the bag."""

    CLEAR = "clear"
    OPAQUE = "opaque"
    WARNING = "warning"
    """A suffocation warning, printed on the bag or on its label."""
    SPILL_CONTAINMENT = "spill_containment"
    HANDLE = "handle"
    HANG_HOLE = "hang_hole"


class DangerousGoodsApproval(Record):
    """Leave to bag goods that would go to manual packing; somebody answers for it."""

    approved_by: Person
    reference: str


class Effect(Record):
    """What the rule does. Ease adds to the need, the largest wins; of limits the least wins."""

    ease_across_mm: Mm | None = None
    ease_along_mm: Mm | None = None
    max_parcel_mass_g: Grams | None = None
    max_thickness_mm: PositiveMm | None = None
    label_margin_mm: Mm | None = None
    demand: tuple[BagDemand, ...] = ()
    warning_text: Slug | None = None
    """Which of the site's warning texts to print where a warning is due."""
    turn_down_bag: bool = False
    manual: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    """Send the order to manual packing, and say why."""
    allow_dangerous: DangerousGoodsApproval | None = None
    keep_apart_from: tuple[str, ...] = ()
    """Goods classes that never share a parcel with the items of the condition."""

    @model_validator(mode="after")
    def _does_something(self) -> Self:
        if self == Effect.model_construct():
            raise ValueError("the rule has no effect")
        return self


class Rule(Record):
    """A packing rule: a name, a condition, an effect."""

    name: Annotated[str, Field(min_length=1, max_length=120)]
    when: Condition = Condition()
    effect: Effect
    source: str = ""
    """Where the rule comes from, in the site's own words."""


class SideRounding(StrEnum):
    """How a side is rounded before it is multiplied to a dimensional weight."""

    NONE = "none"
    HALF_UP = "half_up"
    UP = "up"


class MassUnit(StrEnum):
    """The unit that a service bills in."""

    KG = "kg"
    LB = "lb"


class DimensionalWeight(Record):
    """A dated way to turn size into billed mass: volume over divisor."""

    divisor: Annotated[int, Field(gt=0)]
    side_unit: Annotated[str, Field(pattern="^(cm|in)$")] = "cm"
    mass_unit: MassUnit = MassUnit.KG
    side_rounding: SideRounding = SideRounding.UP
    mass_step: Annotated[float, Field(gt=0)] = 1.0
    """Billed mass goes up to the next multiple of this."""
    from_date: date | None = None


class Service(Record):
    """A way to ship: its limits, its billing, its label."""

    id: Slug
    name: str = ""
    max_length_mm: PositiveMm | None = None
    max_length_plus_girth_mm: PositiveMm | None = None
    max_mass_g: Grams | None = None
    dimensional_weight: tuple[DimensionalWeight, ...] = ()
    price_per_mass_unit: Money | None = None
    price_base: Money = 0.0
    label_template: Slug = "parcel-4x6"


class Aim(StrEnum):
    """What the choice of a bag makes small."""

    LEAST_FILM = "least_film"
    LEAST_COST = "least_cost"


class Packing(Record):
    """Defaults of the site where no rule says otherwise. All are common practice, no source."""

    aim: Aim = Aim.LEAST_FILM
    ease_across_mm: Mm = 15.0
    ease_along_mm: Mm = 25.0
    max_pieces: Annotated[int, Field(gt=0, le=500)] = 200
    max_parcels: Annotated[int, Field(gt=0, le=50)] = 8
    label_margin_mm: Mm = 13.0
    warning_text: Slug | None = None
    price_per_label: Money = 0.0
    measured_disagreement_share: Annotated[float, Field(gt=0, le=1)] = 0.1
    """A measured side further from the catalogue than this share is a disagreement ..."""
    measured_disagreement_mm: Mm = 10.0
    """... if it is also further than this."""


class TypeSize(Record):
    """The least type for a warning on bags of this flat size and up."""

    length_plus_width_from_mm: Mm = 0.0
    points: Annotated[float, Field(gt=0, le=200)]


class WarningText(Record):
    """A suffocation warning of one jurisdiction. Defer to local codes and to counsel."""

    id: Slug
    jurisdiction: str
    text: Annotated[str, Field(min_length=10, max_length=600)]
    thickness_below_um: Annotated[float, Field(gt=0)] | None = None
    """Due on film thinner than this; on any film where left empty."""
    flat_opening_from_mm: Mm = 0.0
    """Due on a flat opening at least this wide."""
    type_sizes: Annotated[tuple[TypeSize, ...], Field(max_length=20)] = ()
    """Least type by the bag's outer length plus width; the largest step reached counts."""
    source: str = ""
