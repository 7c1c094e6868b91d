"""Short ways to say what is given: boxes, orders, sites."""

from typing import Any

from schemas.decision import Decision
from schemas.goods import Item, Size
from schemas.order import Line, Order
from schemas.site import Site

FILMS = [
    {"id": "white-60", "thickness_um": 60},
    {"id": "clear-40", "thickness_um": 40, "clear": True},
    {"id": "black-60", "thickness_um": 60, "colour": "black", "dark": True},
]
BARE = {"closing_seal_mm": 0, "bottom_seal_mm": 0}
"""No seals, so that numbers of worked examples stay round."""
BAGS = [
    {"id": "small", "form": "pre_opened", "film": "white-60", "width_mm": 200, "length_mm": 300},
    {"id": "large", "form": "pre_opened", "film": "white-60", "width_mm": 400, "length_mm": 560},
    {
        "id": "tube-300",
        "form": "tubing",
        "film": "white-60",
        "lay_flat_width_mm": 300,
        "min_length_mm": 150,
        "max_length_mm": 900,
        "length_step_mm": 5,
    },
    {
        "id": "to-size",
        "form": "sealed_film",
        "film": "clear-40",
        "min_width_mm": 150,
        "max_width_mm": 500,
        "min_length_mm": 150,
        "max_length_mm": 900,
    },
]


def station(name: str, *bags: str, **more: Any) -> dict[str, Any]:
    """A station with these bags loaded, slot by slot."""
    loads = [{"bag": bag, "slot": slot} for slot, bag in enumerate(bags, 1)]
    return {"id": name, "lines": [{"kind": "simulated"}], "loaded": loads, **more}


def opened(name: str, width_mm: float, length_mm: float, **more: Any) -> dict[str, Any]:
    """A pre-opened bag of white film, unless said otherwise."""
    size = {"width_mm": width_mm, "length_mm": length_mm}
    return {"id": name, "form": "pre_opened", "film": "white-60", **size, **more}


def a_site(**more: Any) -> Site:
    """The invented room; keyword arguments replace whole sections of its site file."""
    sections: dict[str, Any] = {
        "name": "Harbour packing room",
        "gs1": {"company_prefix": "9521234"},
        "film": FILMS,
        "bag": BAGS,
        "station": [station("s1", "small", "large", "tube-300"), station("s2", "to-size")],
    }
    return Site.model_validate(sections | more)


def a_bag_site(bag: dict[str, Any], **more: Any) -> Site:
    """One station with one bag; no ease and a label that fits anywhere, unless said otherwise."""
    whole = {"id": "only", "form": "pre_opened", "film": "white-60", **BARE, **bag}
    printer = {"label_width_mm": 1, "label_height_mm": 1}
    sections: dict[str, Any] = {
        "bag": [whole],
        "station": [station("s1", "only", printer=printer)],
        "packing": {"ease_across_mm": 0, "ease_along_mm": 0, "label_margin_mm": 0},
    }
    return a_site(**(sections | more))


def box(length: float, width: float, height: float, **more: Any) -> Item:
    """A rigid box of 100 g, in mm."""
    size = Size(length=length, width=width, height=height)
    return Item.model_validate({"sku": "box", "size": size, "mass_g": 100, **more})


def order(*lines: Item | tuple[Item, int], **more: Any) -> Order:
    """An order with a line for each item, or for each (item, quantity)."""
    pairs = [line if isinstance(line, tuple) else (line, 1) for line in lines]
    return Order.model_validate(
        {
            "order_id": "o-1",
            "lines": [
                Line(line_id=f"l{n}", item=item, quantity=quantity)
                for n, (item, quantity) in enumerate(pairs, 1)
            ],
            **more,
        }
    )


def codes(decision: Decision) -> set[str]:
    """The codes of every reason in a decision."""
    found = {reason.code.value for reason in decision.reasons}
    return found | {r.code.value for down in decision.turned_down for r in down.reasons}
