"""The catalogue of the demo's shop: some seventy invented articles of every shape.

Sizes are length, width and height in mm as a piece rests, masses in g. Sizes and masses are
plausible, not measured. GTINs use prefix 952, which is set aside for examples.
"""

from collections.abc import Iterable

from schemas.goods import DangerousGoods, Handling, Item, Shape, Size, Turn

Mm3 = tuple[float, float, float]


def gtin13(reference: int) -> str:
    """A GTIN-13 of the example prefix.

    Check digit: weights 3 and 1 from the right, up to the next ten (GS1 General Specifications,
    from memory).
    """
    digits = f"9521234{reference:05d}"
    total = sum(int(d) * (3 if place % 2 else 1) for place, d in enumerate(digits))
    return f"{digits}{-total % 10}"


def _size(sides: Mm3) -> Size:
    return Size(length=sides[0], width=sides[1], height=sides[2])


def _item(
    number: int, description: str, sides: Mm3 | None, mass_g: float | None, **more: object
) -> Item:
    given: dict[str, object] = {
        "sku": f"TW-{number}",
        "description": description,
        "gtin": gtin13(number),
        "size": _size(sides) if sides else None,
        "mass_g": mass_g,
    }
    return Item.model_validate(given | more)


def _garments() -> Iterable[Item]:
    rows: list[tuple[int, str, Mm3, float, float]] = [
        (1001, "Crew-neck shirt, S", (240, 180, 14), 140, 0.7),
        (1002, "Crew-neck shirt, M", (250, 190, 15), 155, 0.7),
        (1003, "Crew-neck shirt, L", (260, 200, 16), 175, 0.7),
        (1004, "Long-sleeve shirt, striped", (270, 200, 20), 230, 0.7),
        (1005, "Linen shirt, buttoned", (280, 200, 25), 260, 0.75),
        (1006, "Flannel shirt, checked", (280, 210, 32), 340, 0.7),
        (1007, "Vest, ribbed", (200, 150, 10), 90, 0.7),
        (1008, "Wool pullover, grey", (300, 220, 55), 520, 0.6),
        (1009, "Cable pullover, heavy", (320, 240, 80), 780, 0.6),
        (1010, "Hooded sweatshirt", (320, 240, 65), 610, 0.6),
        (1011, "Fleece jacket", (330, 250, 80), 480, 0.5),
        (1012, "Down waistcoat", (320, 240, 95), 390, 0.4),
        (1013, "Rain jacket, packed", (250, 160, 55), 410, 0.7),
        (1014, "Walking trousers", (300, 210, 35), 430, 0.75),
        (1015, "Work trousers, double knee", (310, 220, 45), 690, 0.75),
        (1016, "Shorts", (240, 190, 25), 250, 0.75),
        (1017, "Skirt, pleated", (280, 200, 25), 290, 0.75),
        (1018, "Cotton dress", (290, 210, 28), 330, 0.7),
        (1019, "Scarf, merino", (200, 160, 30), 150, 0.6),
        (1020, "Socks, three pairs", (180, 110, 40), 170, 0.7),
        (1021, "Gloves, knitted", (190, 100, 25), 80, 0.6),
        (1022, "Wool hat", (180, 140, 40), 110, 0.5),
        (1023, "Bath towel", (320, 240, 60), 560, 0.7),
        (1024, "Blanket, wool", (380, 280, 110), 1450, 0.6),
    ]
    for number, text, sides, mass, left in rows:
        yield _item(
            number, text, sides, mass, shape=Shape.SOFT, compresses_to=left, goods_class="garment"
        )
    yield _item(
        1025, "Sleeping-bag liner", (280, 180, 50), 310, shape=Shape.SOFT, compresses_to=0.6,
        goods_class="garment",
        folded_states=[_size((240, 140, 80)), _size((340, 240, 28))],
    )  # fmt: skip
    yield _item(
        1026, "Winter coat", (450, 350, 110), 1650, shape=Shape.SOFT, compresses_to=0.5,
        goods_class="garment", folded_states=[_size((450, 240, 160))],
    )  # fmt: skip
    yield _item(
        1027, "Cap, stiff peak", (260, 180, 110), 95, shape=Shape.SOFT, compresses_to=0.8,
        goods_class="garment",
    )  # fmt: skip
    yield _item(1028, "Belt, rolled", (120, 120, 40), 210, goods_class="garment")


def _flat_goods() -> Iterable[Item]:
    rows: list[tuple[int, str, Mm3, float]] = [
        (2001, "Paperback, short stories", (197, 129, 18), 210),
        (2002, "Paperback, thick", (203, 135, 42), 480),
        (2003, "Hardback, bird guide", (240, 165, 32), 820),
        (2004, "Hardback, atlas", (335, 255, 28), 1650),
        (2005, "Notebook, ruled", (210, 148, 14), 270),
        (2006, "Sketch block, A4", (310, 225, 15), 640),
        (2007, "Calendar, spiral bound", (300, 230, 8), 310),
        (2008, "Sheet music", (305, 229, 4), 130),
        (2009, "Card set in a sleeve", (160, 115, 12), 95),
        (2010, "Trail map, folded", (240, 130, 8), 90),
    ]
    for number, text, sides, mass in rows:
        yield _item(
            number, text, sides, mass, shape=Shape.FLAT, goods_class="paper",
            handling=Handling(turn=Turn.FLAT_ONLY if number == 2007 else Turn.ANY),
        )  # fmt: skip


def _boxes() -> Iterable[Item]:
    rows: list[tuple[int, str, Mm3, float]] = [
        (3001, "Head torch, boxed", (110, 80, 60), 140),
        (3002, "Camp stove, boxed, without fuel", (150, 120, 85), 380),
        (3003, "Compass, boxed", (100, 75, 25), 90),
        (3004, "Card game", (130, 100, 35), 260),
        (3005, "Board game", (295, 295, 70), 1350),
        (3006, "Jigsaw, 500 pieces", (230, 190, 45), 520),
        (3007, "Walking shoes, boxed", (330, 200, 120), 1180),
        (3008, "Sandals, boxed", (310, 180, 110), 690),
        (3009, "Boots, boxed", (360, 290, 130), 1850),
        (3010, "Lunch box, steel", (180, 130, 65), 420),
        (3011, "Desk clock, boxed", (140, 140, 70), 390),
        (3012, "Travel adapter, boxed", (90, 70, 65), 160),
        (3013, "Binoculars, boxed", (180, 150, 80), 710),
        (3014, "Kettle for camping, boxed", (190, 180, 120), 360),
        (3015, "Sewing kit, tin", (120, 85, 30), 180),
        (3016, "Puncture kit, tin", (95, 60, 25), 110),
        (3017, "Wooden blocks, box", (240, 170, 60), 980),
        (3018, "Tool roll, boxed", (280, 90, 70), 860),
    ]
    for number, text, sides, mass in rows:
        yield _item(number, text, sides, mass)
    yield _item(
        3019, "Tent pegs, ten", (200, 60, 50), 240, handling=Handling(turn=Turn.NEVER_ON_EDGE)
    )
    yield _item(3020, "Shoe care set in its own carton", (260, 160, 80), 640, own_pack=True)


def _rolls() -> Iterable[Item]:
    rows: list[tuple[int, str, float, float, float]] = [
        (4001, "Poster, rolled in a tube", 520, 60, 190),
        (4002, "Sleeping mat, rolled", 300, 130, 420),
        (4003, "Yoga mat, rolled", 610, 110, 1150),
        (4004, "Wrapping paper, roll", 700, 45, 210),
        (4005, "Bottle, steel, 0.5 l, empty", 230, 70, 290),
        (4006, "Rope, coiled on a core", 220, 120, 900),
    ]
    for number, text, length, across, mass in rows:
        yield _item(number, text, (length, across, across), mass, shape=Shape.CYLINDER)


def _nested() -> Iterable[Item]:
    yield _item(5001, "Plant pot, tin", (140, 140, 120), 130, nest_step_mm=18, shape=Shape.BOX)
    yield _item(5002, "Camping bowl, enamel", (160, 160, 60), 190, nest_step_mm=12)


def _scented() -> Iterable[Item]:
    yield _item(6001, "Soap, three bars, boxed", (190, 70, 35), 330, goods_class="scented")
    yield _item(6002, "Cedar blocks for wardrobes", (160, 100, 40), 210, goods_class="scented")


def _not_bagged() -> Iterable[Item]:
    yield _item(7001, "Mug, stoneware", (120, 90, 100), 380, handling=Handling(fragile=True))
    yield _item(7002, "Pocket knife", (110, 30, 20), 120, handling=Handling(sharp=True))
    yield _item(
        7003, "Seam oil, 100 ml", (120, 40, 40), 130, shape=Shape.CYLINDER,
        handling=Handling(liquid=True),
    )  # fmt: skip
    yield _item(
        7004, "Spirit for stoves, 250 ml", (150, 65, 65), 280, shape=Shape.CYLINDER,
        handling=Handling(liquid=True, dangerous=DangerousGoods(un_number="UN1170")),
    )  # fmt: skip
    yield _item(7005, "Folding chair, packed", (950, 240, 150), 3900)
    yield _item(7006, "Lantern, new in the catalogue", None, None)


def _liquids_in_bags() -> Iterable[Item]:
    yield _item(
        8001, "Wool wash, 200 ml, in a sealed bag", (160, 80, 50), 240,
        handling=Handling(liquid=True, inner_bag=True),
    )  # fmt: skip


def catalogue() -> dict[str, Item]:
    """Every article by its SKU."""
    groups = (
        _garments(), _flat_goods(), _boxes(), _rolls(), _nested(), _scented(), _liquids_in_bags(),
        _not_bagged(),
    )  # fmt: skip
    return {item.sku: item for group in groups for item in group}
