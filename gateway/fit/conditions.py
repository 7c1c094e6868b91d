"""When a rule applies: its condition held against an order, an item, a bag and a station."""

from schemas.goods import Item
from schemas.order import Order
from schemas.rules import BagCondition, ItemCondition, OrderCondition, StationCondition
from schemas.supply import Bag, BagForm, Film


def holds_for_order(condition: OrderCondition, order: Order) -> bool:
    """Whether every stated part holds for the order."""
    if condition.purpose and order.purpose not in condition.purpose:
        return False
    if condition.service and order.service not in condition.service:
        return False
    if condition.any_tag and not set(condition.any_tag) & set(order.tags):
        return False
    country = order.ship_to.country if order.ship_to else None
    return not condition.country or country in condition.country


def holds_for_item(condition: ItemCondition, item: Item) -> bool:
    """Whether every stated part holds for the article. An unknown mass or size meets no bound."""
    listed = (
        (condition.goods_class, item.goods_class),
        (condition.shape, item.shape),
        (condition.sku, item.sku),
    )
    if any(allowed and value not in allowed for allowed, value in listed):
        return False
    handling = item.handling
    flags = (
        (condition.fragile, handling.fragile),
        (condition.sharp, handling.sharp),
        (condition.liquid, handling.liquid),
        (condition.inner_bag, handling.inner_bag),
        (condition.dangerous, handling.dangerous is not None),
        (condition.own_pack, item.own_pack),
    )
    if any(wanted is not None and wanted != value for wanted, value in flags):
        return False
    if condition.mass_over_g is not None and not (item.mass_g or 0) > condition.mass_over_g:
        return False
    longest = max(item.size.in_mm()) if item.size else 0.0
    over = condition.longest_side_over_mm
    return over is None or longest > over


def holds_for_bag(condition: BagCondition, bag: Bag, film: Film, flat_opening_mm: float) -> bool:
    """Whether every stated part holds for the bag. The opening is its flat width, mm."""
    listed = ((condition.id, bag.id), (condition.form, bag.form), (condition.film, film.id))
    if any(allowed and value not in allowed for allowed, value in listed):
        return False
    if condition.clear is not None and condition.clear != film.clear:
        return False
    below, start = condition.thickness_below_um, condition.thickness_from_um
    if below is not None and film.thickness_um >= below:
        return False
    if start is not None and film.thickness_um < start:
        return False
    opening = condition.flat_opening_from_mm
    return opening is None or flat_opening_mm >= opening


def widest_opening(bag: Bag) -> float:
    """The flat width, mm, of the bag's mouth; of film that is sealed to width, the widest."""
    match bag.form:
        case BagForm.PRE_OPENED:
            return bag.width_mm
        case BagForm.TUBING:
            return bag.lay_flat_width_mm
        case BagForm.SEALED_FILM:
            return bag.max_width_mm


def holds_at_station(condition: StationCondition, station_id: str) -> bool:
    """Whether the rule is for this station."""
    return not condition.id or station_id in condition.id
