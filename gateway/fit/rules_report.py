"""Rules of a site that can never apply, that do nothing, or that contradict one another."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from gateway.fit.conditions import holds_for_bag, widest_opening
from schemas.rules import BagDemand, ItemCondition, OrderCondition, Rule
from schemas.site import Site
from schemas.supply import Bag

_OPPOSITES = {
    frozenset({BagDemand.CLEAR, BagDemand.OPAQUE}): "a bag is clear or opaque",
    frozenset({BagDemand.HANDLE, BagDemand.HANG_HOLE}): "a header has a handle or a hang hole",
}


@dataclass(frozen=True, slots=True)
class RuleFinding:
    """Something wrong with a rule, or with two, that the integrator must mend."""

    rule: str
    text: str
    other: str | None = None
    """The rule that it contradicts."""


def rules_report(site: Site) -> list[RuleFinding]:
    """Every finding, in the order of the site file."""
    found = [finding for rule in site.rule for finding in _alone(rule, site)]
    for one, two in combinations(site.rule, 2):
        if _may_meet(one, two, site):
            found += _together(one, two)
    return found


def _alone(rule: Rule, site: Site) -> Iterator[RuleFinding]:
    yield from (RuleFinding(rule.name, text) for text in _never(rule, site))
    for pair, text in _OPPOSITES.items():
        if pair <= set(rule.effect.demand):
            yield RuleFinding(rule.name, f"contradicts itself: {text}")
    if rule.effect.manual and rule.effect.allow_dangerous:
        yield RuleFinding(rule.name, "allows dangerous goods and sends them to manual packing")


def _never(rule: Rule, site: Site) -> Iterator[str]:
    services = {service.id for service in site.service}
    stations = {station.id for station in site.station}
    purposes = {purpose for station in site.station for purpose in station.purposes}
    when = rule.when
    if when.order.service and not services & set(when.order.service):
        yield f"can never apply: the site has no service {', '.join(when.order.service)}"
    if when.station.id and not stations & set(when.station.id):
        yield f"can never apply: the site has no station {', '.join(when.station.id)}"
    if when.order.purpose and not purposes & set(when.order.purpose):
        names = ", ".join(purpose.value for purpose in when.order.purpose)
        yield f"can never apply: no station takes {names} goods"
    below, start = when.bag.thickness_below_um, when.bag.thickness_from_um
    if below is not None and start is not None and start >= below:
        yield f"can never apply: no film is from {start:g} um and below {below:g} um"
    elif not _bags(rule, site):
        yield "can never apply: no bag of the site meets its bag condition"
    item = when.item
    if item.inner_bag and item.liquid is False:
        yield "is about inner bags of goods that are not liquid"
    if rule.effect.allow_dangerous and item.dangerous is False:
        yield "can never apply: it allows dangerous goods to articles that are none"


def _bags(rule: Rule, site: Site) -> list[Bag]:
    films = {film.id: film for film in site.film}
    return [
        bag
        for bag in site.bag
        if holds_for_bag(rule.when.bag, bag, films[bag.film], widest_opening(bag))
    ]


def _may_meet(one: Rule, two: Rule, site: Site) -> bool:
    """Whether some order, bag and station could fall under both."""
    shared = {bag.id for bag in _bags(one, site)} & {bag.id for bag in _bags(two, site)}
    return (
        bool(shared)
        and _overlap(one.when.station.id, two.when.station.id)
        and _orders_overlap(one.when.order, two.when.order)
        and _items_may_share(one.when.item, two.when.item)
    )


def _overlap(one: tuple[object, ...], two: tuple[object, ...]) -> bool:
    return not one or not two or bool(set(one) & set(two))


def _orders_overlap(one: OrderCondition, two: OrderCondition) -> bool:
    pairs = (
        (one.purpose, two.purpose),
        (one.service, two.service),
        (one.country, two.country),
    )
    return all(_overlap(a, b) for a, b in pairs)


def _items_may_share(one: ItemCondition, two: ItemCondition) -> bool:
    """Two rules about different articles meet in a parcel only; that is no contradiction."""
    flags = ("fragile", "sharp", "liquid", "inner_bag", "dangerous", "own_pack")
    for flag in flags:
        a, b = getattr(one, flag), getattr(two, flag)
        if a is not None and b is not None and a is not b:
            return False
    listed = ((one.goods_class, two.goods_class), (one.shape, two.shape), (one.sku, two.sku))
    return all(_overlap(a, b) for a, b in listed)


def _together(one: Rule, two: Rule) -> Iterator[RuleFinding]:
    for pair, text in _OPPOSITES.items():
        demands = set(one.effect.demand), set(two.effect.demand)
        if pair <= demands[0] | demands[1] and not any(pair <= each for each in demands):
            yield RuleFinding(one.name, f"contradicts {two.name!r}: {text}", two.name)
    for approving, refusing in ((one, two), (two, one)):
        if (
            approving.effect.allow_dangerous
            and refusing.effect.manual
            and _covers(refusing, approving)
        ):
            yield RuleFinding(
                approving.name,
                f"allows what {refusing.name!r} always sends to manual packing",
                refusing.name,
            )
    yield from _idle(one, two)
    texts = one.effect.warning_text, two.effect.warning_text
    if texts[0] and texts[1] and texts[0] != texts[1]:
        yield RuleFinding(
            one.name, f"names another warning text than {two.name!r}; the later one wins", two.name
        )


def _idle(one: Rule, two: Rule) -> Iterator[RuleFinding]:
    """Limits and eases that never count, since another rule is stricter wherever they apply."""
    for loose, strict in ((one, two), (two, one)):
        if not _covers(strict, loose):
            continue
        for name in ("max_parcel_mass_g", "max_thickness_mm"):
            limit, tighter = getattr(loose.effect, name), getattr(strict.effect, name)
            if limit is not None and tighter is not None and tighter < limit:
                text = f"its {name} of {limit:g} never counts: {strict.name!r} states {tighter:g}"
                yield RuleFinding(loose.name, text, strict.name)
        for name in ("ease_across_mm", "ease_along_mm", "label_margin_mm"):
            ease, wider = getattr(loose.effect, name), getattr(strict.effect, name)
            if ease is not None and wider is not None and wider > ease:
                text = f"its {name} of {ease:g} never counts: {strict.name!r} states {wider:g}"
                yield RuleFinding(loose.name, text, strict.name)


def _covers(wide: Rule, narrow: Rule) -> bool:
    """Whether everything under the second rule is under the first: every stated part is shared."""
    pairs = (
        (wide.when.order, narrow.when.order),
        (wide.when.item, narrow.when.item),
        (wide.when.bag, narrow.when.bag),
        (wide.when.station, narrow.when.station),
    )
    return all(
        not wanted or wanted == getattr(other, name)
        for part, other in pairs
        for name, wanted in part
        if wanted is not None
    )
