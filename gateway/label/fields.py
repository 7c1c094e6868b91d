"""What a label says of an order, a parcel or an item, as named texts for a template."""

from collections.abc import Mapping
from types import MappingProxyType

from gateway.label import gs1
from gateway.label.errors import DataRefused
from schemas.decision import Parcel
from schemas.goods import Item, Turn
from schemas.order import Address, Order
from schemas.rules import WarningText

Fields = Mapping[str, str]
"""A frozen mapping of texts. What is not known is an empty text, not a missing name."""

_INCH_MM = 25.4


def warning_type_pt(width_mm: float, length_mm: float) -> int:
    """Least type size in points of a suffocation warning on a bag of this flat size.

    Source: Rhode Island General Laws 11-9-16 and California Business and Professions Code 22202,
    by length plus width: 60 in and more 24 pt, 40 in 18 pt, 30 in 14 pt, below that 10 pt. Other
    places ask for more: defer to local codes.
    """
    inches = (width_mm + length_mm) / _INCH_MM
    for least, points in ((60, 24), (40, 18), (30, 14)):
        if inches >= least:
            return points
    return 10


def parcel_fields(
    order: Order,
    parcel: Parcel,
    *,
    sscc: str,
    number: int,
    of: int,
    ship_from: Address | None,
    reprint: int = 0,
    warning: WarningText | None = None,
) -> Fields:
    """Fields of a parcel label. `sscc` has 18 digits; `number` of `of` counts the order's parcels.

    `warning`: the text that the bag needs, where the label carries it. Raises `DataRefused` for a
    wrong SSCC.
    """
    gs1.check_element("00", sscc)
    bag = parcel.bag
    fields = {
        **order_fields(order),
        **_address("ship_from", ship_from or order.ship_from),
        "sscc": sscc,
        "number": str(number),
        "of": str(of),
        "several": "yes" if of > 1 else "",
        "reprint": str(reprint) if reprint else "",
        "pieces": str(len(parcel.pieces)),
        "mass_kg": "" if parcel.mass_g is None else f"{parcel.mass_g / 1000:.2f}",
        "bag": bag.id,
        "bag_size": f"{bag.width_mm:.0f} x {bag.length_mm:.0f} mm",
        "station": parcel.station,
        "warning": warning.text if warning else "",
        "warning_pt": str(warning_type_pt(bag.width_mm, bag.length_mm)),
    }
    return MappingProxyType(fields)


def item_fields(
    order: Order | None,
    item: Item,
    *,
    warning: WarningText | None = None,
    bag_width_mm: float = 0.0,
    bag_length_mm: float = 0.0,
    quantity: int = 1,
) -> Fields:
    """Fields of an item label. The bag's flat size sets the type size of the warning."""
    fields = {
        "order_id": order.order_id if order else "",
        "sku": item.sku,
        "description": item.description,
        "gtin": gs1.gtin(item.gtin) if item.gtin else "",
        "code": item.gtin or item.sku,
        "quantity": str(quantity),
        "warning": warning.text if warning else "",
        "warning_pt": str(warning_type_pt(bag_width_mm, bag_length_mm)),
        **_marks(item),
    }
    return MappingProxyType(fields)


def order_fields(order: Order, *, reason: str = "") -> Fields:
    """Fields of an order as such, for a packing note: its lines are `line.1.sku` and so on.

    `reason`: why it goes to manual packing.
    """
    fields = {
        "order_id": order.order_id,
        "order_gs1": _as_gs1(order.order_id),
        "service": order.service or "",
        "routing": order.routing,
        "purpose": order.purpose.value,
        "tags": ", ".join(order.tags),
        "reason": reason,
        **_address("ship_to", order.ship_to),
        **_address("ship_from", order.ship_from),
        **{f"reference.{name}": text for name, text in order.references.items()},
        "line.count": str(len(order.lines)),
        "line.pieces": str(sum(line.quantity for line in order.lines)),
    }
    for n, line in enumerate(order.lines, 1):
        fields[f"line.{n}.line_id"] = line.line_id
        fields[f"line.{n}.sku"] = line.item.sku
        fields[f"line.{n}.description"] = line.item.description
        fields[f"line.{n}.quantity"] = str(line.quantity)
        fields[f"line.{n}.gtin"] = line.item.gtin or ""
    return MappingProxyType(fields)


def _marks(item: Item) -> dict[str, str]:
    """Handling marks that the item asks for, numbered."""
    handling = item.handling
    asked = [
        (handling.fragile, "fragile", "FRAGILE"),
        (handling.turn is Turn.THIS_SIDE_UP, "this-way-up", "THIS WAY UP"),
        (handling.liquid, "liquid", "LIQUID"),
        (handling.sharp, "sharp", "SHARP"),
    ]
    marks = [(name, text) for wanted, name, text in asked if wanted]
    fields = {"mark.count": str(len(marks))}
    for n, (name, text) in enumerate(marks, 1):
        fields[f"mark.{n}.name"] = name
        fields[f"mark.{n}.text"] = text
    return fields


def _as_gs1(order_id: str) -> str:
    """An order number that GS1 can carry in AI 400, or nothing: it is never altered to fit."""
    try:
        return gs1.check_element("400", order_id).value
    except DataRefused:
        return ""


def _address(name: str, address: Address | None) -> dict[str, str]:
    if address is None:
        parts = ("name", "company", "street", "place", "country", "phone", "postcode", "city")
        return {name: "", f"{name}.region": "", **{f"{name}.{part}": "" for part in parts}}
    place = " ".join(filter(None, (address.postcode, address.city)))
    return {
        name: "yes",
        f"{name}.name": address.name,
        f"{name}.company": address.company,
        f"{name}.street": "\n".join(address.lines),
        f"{name}.place": place,
        f"{name}.postcode": address.postcode,
        f"{name}.city": address.city,
        f"{name}.region": address.region,
        f"{name}.country": address.country,
        f"{name}.phone": address.phone,
    }
