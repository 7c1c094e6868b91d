"""What the site and its rules ask of one parcel in one bag at one station."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from gateway.fit.conditions import (
    holds_at_station,
    holds_for_bag,
    holds_for_item,
    holds_for_order,
    widest_opening,
)
from gateway.fit.pieces import Member
from gateway.fit.room import Room
from schemas.goods import Item
from schemas.order import Order
from schemas.rules import BagDemand, Rule
from schemas.station import Load, Station
from schemas.supply import Bag, Film


@dataclass(frozen=True, slots=True)
class Trial:
    """These goods, tried in this bag on this station."""

    room: Room
    members: Sequence[Member]
    items: Sequence[Item]
    """The different articles among the pieces."""
    applying: Sequence[tuple[Rule, frozenset[int]]]
    """Rules that hold for the order and some articles, with those articles' positions."""
    label: tuple[float, float]
    """The label across and along the bag, mm."""
    station: Station
    load: Load
    bag: Bag
    film: Film


@dataclass(frozen=True, slots=True)
class Bound:
    """A limit and who set it: a rule by its name, or the site, the station, the bag."""

    limit: float = inf
    by: str = ""

    def least(self, limit: float | None, by: str) -> "Bound":
        """The tighter of the two."""
        return Bound(limit, by) if limit is not None and limit < self.limit else self


@dataclass(frozen=True, slots=True)
class Demands:
    """Ease and margins in mm, limits, and what the bag must be."""

    ease_across_mm: float
    ease_along_mm: float
    max_mass: Bound
    max_up: Bound
    label_margin_mm: float
    demanded: frozenset[BagDemand]
    demanded_by: dict[BagDemand, str]
    warning_text: str | None
    barred_by: tuple[Rule, ...]
    """Rules that turn this bag down."""
    approvals: tuple[Rule, ...]
    """Rules that let dangerous goods into this bag."""
    rules: tuple[str, ...]


def rules_for(order: Order, items: Sequence[Item], room: Room) -> list[tuple[Rule, frozenset[int]]]:
    """Rules that hold for the order and for at least one item, with the items' positions."""
    found = []
    for rule in room.rules:
        if holds_for_order(rule.when.order, order):
            who = frozenset(
                n for n, item in enumerate(items) if holds_for_item(rule.when.item, item)
            )
            if who:
                found.append((rule, who))
    return found


def demands_of(trial: Trial) -> Demands:
    """What is asked of this bag. Each item has the largest ease that a rule states for it, or the
    site's; the parcel has the largest of its items. Limits: the tightest wins."""
    packing, station, bag = trial.room.packing, trial.station, trial.bag
    items = len(trial.items)
    opening = widest_opening(bag)
    here = [
        (rule, who)
        for rule, who in trial.applying
        if holds_at_station(rule.when.station, station.id)
        and holds_for_bag(rule.when.bag, bag, trial.film, opening)
    ]
    up = Bound().least(station.max_goods_thickness_mm, f"station {station.id}")
    mass = Bound().least(station.max_parcel_mass_g, f"station {station.id}")
    mass = mass.least(bag.mass_limit_g, f"bag {bag.id}")
    demanded_by: dict[BagDemand, str] = {}
    warning = packing.warning_text
    margin = None
    for rule, _ in here:
        effect = rule.effect
        up = up.least(effect.max_thickness_mm, rule.name)
        mass = mass.least(effect.max_parcel_mass_g, rule.name)
        demanded_by |= dict.fromkeys(effect.demand, rule.name)
        warning = effect.warning_text or warning
        if effect.label_margin_mm is not None:
            margin = max(margin or 0.0, effect.label_margin_mm)
    return Demands(
        ease_across_mm=_ease(
            [(r.effect.ease_across_mm, who) for r, who in here], items, packing.ease_across_mm
        ),
        ease_along_mm=_ease(
            [(r.effect.ease_along_mm, who) for r, who in here], items, packing.ease_along_mm
        ),
        max_mass=mass,
        max_up=up,
        label_margin_mm=packing.label_margin_mm if margin is None else margin,
        demanded=frozenset(demanded_by),
        demanded_by=demanded_by,
        warning_text=warning,
        barred_by=tuple(r for r, _ in here if r.effect.turn_down_bag or r.effect.manual),
        approvals=tuple(r for r, _ in here if r.effect.allow_dangerous),
        rules=tuple(r.name for r, _ in here),
    )


def _ease(
    stated: Sequence[tuple[float | None, frozenset[int]]], items: int, default: float
) -> float:
    largest: dict[int, float] = {}
    for ease, who in stated:
        if ease is not None:
            for item in who:
                largest[item] = max(largest.get(item, 0.0), ease)
    eases = list(largest.values())
    if len(largest) < items:
        eases.append(default)
    return max(eases)
