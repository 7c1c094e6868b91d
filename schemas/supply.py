"""Bag supply: film, and what is made of it."""

from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from schemas.base import (
    BagId,
    FilmId,
    Grams,
    Micrometres,
    Mm,
    Money,
    PositiveMm,
    Record,
    Share,
    Text,
)


class Film(Record):
    """A film: what it is made of, how thick, what it looks like."""

    id: FilmId
    description: Text = ""
    thickness_um: Micrometres
    density_g_cm3: Annotated[float, Field(ge=0.5, le=2.0)] = 0.92
    colour: Text = "natural"
    clear: bool = False
    """See-through: the item's own code can be read through it."""
    dark: bool = False
    """Print does not show on it: only applied labels."""
    recycled_pre_consumer: Share = 0.0
    recycled_post_consumer: Share = 0.0
    price_per_kg: Money | None = None


class BagForm(StrEnum):
    """How a station comes by its bag."""

    PRE_OPENED = "pre_opened"
    TUBING = "tubing"
    SEALED_FILM = "sealed_film"


class SupplyPack(StrEnum):
    """How pre-opened bags are packed."""

    ROLL = "roll"
    FAN_FOLDED = "fan_folded"


class Opening(StrEnum):
    """A hole in the header, punched at the converter or by the station."""

    NONE = "none"
    HANG_HOLE = "hang_hole"
    HANDLE = "handle"


class _Bag(Record):
    id: BagId
    description: Text = ""
    film: FilmId
    warning_printed: bool = False
    """A suffocation warning is already printed on it."""
    spill_containment: bool = False
    opening: Opening = Opening.NONE
    header_mm: Mm = 0.0
    """Length above the closing seal, for a hole or handle; no goods lie in it."""
    closing_seal_mm: Mm = 10.0
    """Band of the seal that closes the filled bag, trim included."""
    bottom_seal_mm: Mm = 6.0
    skirt_mm: Mm = 0.0
    """Film beyond the bottom seal."""
    side_seal_mm: Mm = 0.0
    """Band of each side seal; none on tubing."""
    width_tolerance_mm: Mm = 0.0
    length_tolerance_mm: Mm = 0.0
    mass_limit_g: Grams | None = None


class PreOpenedBag(_Bag):
    """A bag made elsewhere; sizes are outer, flat, edge to edge, without the lip."""

    form: Literal[BagForm.PRE_OPENED] = BagForm.PRE_OPENED
    pack: SupplyPack = SupplyPack.ROLL
    width_mm: PositiveMm
    length_mm: PositiveMm
    lip_mm: Mm = 0.0
    """Single-ply lip beyond the mouth: film that is paid for and holds nothing."""
    price_each: Money | None = None


class Tubing(_Bag):
    """Lay-flat tubing; the station cuts and seals the length that it is told."""

    form: Literal[BagForm.TUBING] = BagForm.TUBING
    lay_flat_width_mm: PositiveMm
    min_length_mm: PositiveMm
    max_length_mm: PositiveMm
    length_step_mm: PositiveMm = 1.0
    price_per_m: Money | None = None

    @model_validator(mode="after")
    def _range(self) -> Self:
        if self.min_length_mm > self.max_length_mm:
            raise ValueError("min_length_mm is above max_length_mm")
        return self


class SealedFilm(_Bag):
    """Film that the station seals to a width and a length for each parcel."""

    form: Literal[BagForm.SEALED_FILM] = BagForm.SEALED_FILM
    min_width_mm: PositiveMm
    max_width_mm: PositiveMm
    width_step_mm: PositiveMm = 1.0
    min_length_mm: PositiveMm
    max_length_mm: PositiveMm
    length_step_mm: PositiveMm = 1.0
    price_per_m2: Money | None = None

    @model_validator(mode="after")
    def _range(self) -> Self:
        if self.min_length_mm > self.max_length_mm:
            raise ValueError("min_length_mm is above max_length_mm")
        if self.min_width_mm > self.max_width_mm:
            raise ValueError("min_width_mm is above max_width_mm")
        return self


Bag = Annotated[PreOpenedBag | Tubing | SealedFilm, Field(discriminator="form")]
"""Any bag that a site stocks, told apart by `form`."""
