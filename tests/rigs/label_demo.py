"""An order, a parcel and an item of our own, and printers with their labels loaded."""

from typing import Any

from gateway.label import Fields, item_fields, order_fields, parcel_fields, sscc
from gateway.label.gs1_checks import check_digit
from schemas.decision import ChosenBag, Parcel, Piece
from schemas.goods import Handling, Item, Turn
from schemas.order import Address, Order
from schemas.order import Line as OrderLine
from schemas.rules import WarningText
from schemas.station import Printer
from schemas.supply import BagForm

WARNING = WarningText(
    id="demo",
    jurisdiction="demo",
    text="WARNING: Keep this bag away from babies and small children. The film may cling to nose "
    "and mouth and stop their breathing. This bag is not a toy.",
)
SENDER = Address(
    name="Fjordbridge Outfitters", lines=("Packhouse Lane 4",), postcode="9999", city="Havn",
    country="NO",
)  # fmt: skip
RECEIVER = Address(
    name="Åsa Lindqvist-Øyen",
    company="Hemma & Co",
    lines=("Långa Gatan 17 B", "Uppgång 3"),
    postcode="0123 45",
    city="Nystad",
    country="SE",
    phone="+00 555 0100",
)
ITEM = Item(
    sku="TEE-M-BLUE",
    description="Organic cotton T-shirt, blue, medium",
    gtin="952123400001" + check_digit("952123400001"),
    handling=Handling(turn=Turn.THIS_SIDE_UP, fragile=True, sharp=True, liquid=True),
)
ORDER = Order(
    order_id="ORD-2026-000417",
    service="express",
    routing="N4 · DOCK 12",
    ship_to=RECEIVER,
    ship_from=SENDER,
    lines=tuple(
        OrderLine(line_id=str(n), item=ITEM.model_copy(update={"sku": f"SKU-{n:03}"}), quantity=n)
        for n in range(1, 15)
    ),
    references={"customer": "Customer order W-88121"},
)
PARCEL = Parcel(
    station="s1",
    bag=ChosenBag(
        id="b250x350", form=BagForm.PRE_OPENED, film="f50", width_mm=250, length_mm=350
    ),
    pieces=(
        Piece(line_id="1", piece=1, x_mm=0, y_mm=0, z_mm=0, dx_mm=200, dy_mm=150, dz_mm=30),
    ),
    mass_g=642,
    needed_width_mm=230,
    needed_length_mm=330,
    goods_size_mm=(200, 150, 30),
    film_area_mm2=175000,
    film_mass_g=8,
    void_share=0.2,
    margin_width_mm=20,
    margin_length_mm=20,
    binding="width",
)  # fmt: skip
CODE = sscc("9521234", 0, 417)
LABEL_SIZES = {
    "parcel-a6": (105.0, 148.0),
    "item-warning": (101.6, 76.2),
    "handling": (101.6, 76.2),
    "film-block": (70.0, 118.0),
    "warning": (101.6, 76.2),
}


def fields_for(template: str) -> Fields:
    """Fields that a template that comes along is filled with."""
    if template in {"parcel-4x6", "parcel-a6", "film-block", "return"}:
        return parcel_fields(
            ORDER, PARCEL, sscc=CODE, number=1, of=2, ship_from=SENDER, warning=WARNING
        )
    if template == "manual-note":
        return order_fields(ORDER, reason="No bag fits: 1,240 mm long, the longest bag has 900 mm.")
    return item_fields(ORDER, ITEM, warning=WARNING, bag_width_mm=250, bag_length_mm=350)


def printer_for(template: str, dots_per_mm: float, **changes: Any) -> Printer:
    """A printer with the template's label loaded."""
    width, height = LABEL_SIZES.get(template, (101.6, 152.4))
    settings = {"label_width_mm": width, "label_height_mm": height, **changes}
    return Printer(dots_per_mm=dots_per_mm, **settings)
