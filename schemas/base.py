"""What every model of the contract is made of: records, identifiers, units and instants."""

from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
)


class Record(BaseModel):
    """An immutable value that refuses fields it does not know."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, str_strip_whitespace=True
    )


_NO_CONTROL = r"^[^\x00-\x1f\x7f]+$"

OrderId = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=_NO_CONTROL)]
LineId = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=_NO_CONTROL)]
Sku = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=_NO_CONTROL)]
ScanCode = Annotated[str, StringConstraints(min_length=1, max_length=400)]
EventId = Annotated[str, StringConstraints(min_length=1, max_length=200)]
Slug = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9._-]{0,47}$")]
StationId = Slug
BagId = Slug
FilmId = Slug
ParcelId = Annotated[str, StringConstraints(min_length=1, max_length=64, pattern=_NO_CONTROL)]
JobId = Annotated[str, StringConstraints(min_length=1, max_length=64, pattern=_NO_CONTROL)]
Text = Annotated[str, StringConstraints(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$")]
Note = Annotated[str, StringConstraints(min_length=1, max_length=2000)]
Person = Annotated[str, StringConstraints(min_length=1, max_length=120, pattern=_NO_CONTROL)]
Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]

PositiveMm = Annotated[float, Field(gt=0, le=100_000)]
Mm = Annotated[float, Field(ge=0, le=100_000)]
Grams = Annotated[float, Field(ge=0, le=1_000_000)]
Micrometres = Annotated[float, Field(gt=0, le=2_000)]
Share = Annotated[float, Field(ge=0, le=1)]
Money = Annotated[float, Field(ge=0)]


def _to_utc(moment: datetime) -> datetime:
    return moment.astimezone(UTC)


Instant = Annotated[AwareDatetime, AfterValidator(_to_utc)]
"""A point in time; any offset is accepted, UTC is kept."""


class LengthUnit(StrEnum):
    """Units in which lengths may arrive; inside they are millimetres."""

    MM = "mm"
    CM = "cm"
    INCH = "in"


MM_PER_UNIT = {LengthUnit.MM: 1.0, LengthUnit.CM: 10.0, LengthUnit.INCH: 25.4}
"""Source: the international inch is 25.4 mm exactly (from memory)."""
