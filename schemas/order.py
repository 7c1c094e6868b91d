"""An order as the WMS hands it over."""

from enum import StrEnum
from typing import Annotated

from pydantic import Base64Bytes, Field, StringConstraints

from schemas.base import LineId, OrderId, PositiveMm, Record, ScanCode, Slug, Text
from schemas.goods import Item


class Purpose(StrEnum):
    """Why the goods are bagged."""

    OUTBOUND = "outbound"
    INBOUND = "inbound"
    RETURN = "return"


class Address(Record):
    """Where a parcel goes. Personal data: never logged, kept beside the ledger, erased in time."""

    name: Annotated[Text, Field(min_length=1)]
    company: Text = ""
    lines: Annotated[tuple[Text, ...], Field(min_length=1, max_length=4)]
    postcode: Annotated[str, StringConstraints(max_length=12, pattern=r"^[A-Za-z0-9 -]*$")] = ""
    city: Text = ""
    region: Text = ""
    country: Annotated[str, StringConstraints(pattern=r"^[A-Z]{2}$")]
    """ISO 3166-1 alpha-2."""
    phone: Text = ""


class Line(Record):
    """One line of an order: so many pieces of one item."""

    line_id: LineId
    item: Item
    quantity: Annotated[int, Field(gt=0, le=1_000_000)] = 1


class LabelLanguage(StrEnum):
    """Languages that a station's printer may speak."""

    ZPL = "zpl"
    EPL = "epl"


class SuppliedLabel(Record):
    """A label that the WMS had made elsewhere; passed on byte for byte."""

    language: LabelLanguage
    content: Annotated[Base64Bytes, Field(min_length=1, max_length=2_000_000)]
    dots_per_mm: Annotated[float, Field(gt=0, le=50)] | None = None
    width_mm: PositiveMm | None = None
    height_mm: PositiveMm | None = None
    expected_scans: Annotated[tuple[ScanCode, ...], Field(max_length=20)] = ()
    """Codes that a scanner must read from the print; read from the label where left empty."""


class Order(Record):
    """What is to be packed, for whom and how. `order_id` is the WMS's own."""

    order_id: OrderId
    scan_code: ScanCode | None = None
    """The code on the tote or pick list; `order_id` where left empty."""
    purpose: Purpose = Purpose.OUTBOUND
    ship_to: Address | None = None
    ship_from: Address | None = None
    service: Slug | None = None
    """A service of the site file: its limits, its divisor, its label."""
    routing: Text = ""
    """Routing text that the sorter or carrier wants in large type."""
    lines: Annotated[tuple[Line, ...], Field(min_length=1, max_length=10_000)]
    labels: Annotated[tuple[SuppliedLabel, ...], Field(max_length=50)] = ()
    """Supplied labels, one a parcel, in parcel order."""
    references: dict[Slug, Text] = {}
    tags: Annotated[tuple[Slug, ...], Field(max_length=50)] = ()
