"""Goods: what an item is, how large, and how it may be turned and stacked."""

from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, StringConstraints, model_validator

from schemas.base import MM_PER_UNIT, Grams, LengthUnit, Mm, PositiveMm, Record, Share, Sku, Text


class Size(Record):
    """Outer size of one piece, in `unit` (mm unless said): length, width, height as it rests.

    A cylinder lies with its axis along `length`; `width` and `height` are its diameter.
    """

    length: Annotated[float, Field(gt=0)]
    width: Annotated[float, Field(gt=0)]
    height: Annotated[float, Field(gt=0)]
    unit: LengthUnit = LengthUnit.MM

    def in_mm(self) -> tuple[float, float, float]:
        """Length, width and height in millimetres."""
        factor = MM_PER_UNIT[self.unit]
        return self.length * factor, self.width * factor, self.height * factor


class Shape(StrEnum):
    """The section that the film goes round."""

    BOX = "box"
    CYLINDER = "cylinder"
    SOFT = "soft"
    FLAT = "flat"


class SoftSection(StrEnum):
    """How a soft piece rounds under the film: flat faces with round edges, or a cushion."""

    STADIUM = "stadium"
    ELLIPSE = "ellipse"


class Turn(StrEnum):
    """How a piece may be laid in the bag; height is the side that stands up as it rests."""

    ANY = "any"
    NEVER_ON_EDGE = "never_on_edge"
    """It lies on one of its largest faces: its shortest side stands up."""
    FLAT_ONLY = "flat_only"
    """Its height stands up; it may lie face down."""
    THIS_SIDE_UP = "this_side_up"
    """Its height stands up and it is never turned over."""


class DangerousGoods(Record):
    """A dangerous goods flag; such goods go to manual packing unless a site rule allows them."""

    un_number: Annotated[str, StringConstraints(pattern=r"^UN[0-9]{4}$")] | None = None
    limited_quantity: bool = False


class Handling(Record):
    """What must be minded when the piece is packed."""

    turn: Turn = Turn.ANY
    fragile: bool = False
    sharp: bool = False
    liquid: bool = False
    inner_bag: bool = False
    dangerous: DangerousGoods | None = None
    keep_apart: Annotated[str, StringConstraints(min_length=1, max_length=40)] | None = None
    """Pieces of different groups never share a parcel; pieces without a group go anywhere."""


class Item(Record):
    """An article of the catalogue, as the WMS knows it. `size` may be missing: never guessed."""

    sku: Sku
    description: Text = ""
    gtin: Annotated[str, StringConstraints(pattern=r"^(\d{8}|\d{12,14})$")] | None = None
    shape: Shape = Shape.BOX
    size: Size | None = None
    size_tolerance_mm: Mm = 0.0
    mass_g: Grams | None = None
    compresses_to: Annotated[float, Field(gt=0, le=1)] = 1.0
    """Soft goods: the share of their thickness that is left under the closing film."""
    soft_section: SoftSection = SoftSection.STADIUM
    """Soft goods: the section that the film goes round; the stadium needs the larger bag."""
    folded_states: Annotated[tuple[Size, ...], Field(max_length=8)] = ()
    """Other sizes that the same piece can be folded to."""
    nest_step_mm: PositiveMm | None = None
    """Nested goods: the height that each further piece of the same article adds to a pile."""
    own_pack: bool = False
    """The piece ships in a pack of its own and could carry the label without a bag."""
    goods_class: Annotated[str, StringConstraints(pattern=r"^[a-z0-9_-]{1,40}$")] = "general"
    handling: Handling = Handling()

    @model_validator(mode="after")
    def _only_what_the_shape_has(self) -> Self:
        if self.shape is not Shape.SOFT and self.compresses_to != 1.0:
            raise ValueError("compresses_to is for shape = soft")
        if self.shape is Shape.CYLINDER and self.size is not None:
            _, width, height = self.size.in_mm()
            if abs(width - height) > 0.05 * max(width, height):
                raise ValueError(
                    "a cylinder lies along its length: width and height are both its diameter"
                )
        return self


class MeasuredSize(Record):
    """What a dimension scanner saw: the size of the goods as they lie, and mass if weighed."""

    size: Size
    mass_g: Grams | None = None
    confidence: Share = 1.0
