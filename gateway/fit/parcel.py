"""One parcel at one station: each loaded bag is asked, the best is taken, the rest say why not."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from math import inf

from gateway.fit.bags import (
    Offer,
    allowance_of,
    film_mass_g,
    film_price,
    offer_of,
)
from gateway.fit.bound import Floor, floor_of, least_film, too_small
from gateway.fit.demands import Demands, Trial, demands_of, rules_for
from gateway.fit.front import Front, Patience, counted, front_of_counted
from gateway.fit.pieces import Kind, Member
from gateway.fit.room import Room
from gateway.fit.suitability import unsuitable
from gateway.fit.weight import billed_mass, dimensional_rule
from gateway.fit.work import Work
from schemas.decision import Reason, ReasonCode, TurnedDown
from schemas.order import Order
from schemas.rules import Aim, Service
from schemas.station import Station
from schemas.supply import BagForm

_MANY = 6
"""Pieces beyond which a bag is turned down unsearched where volume, mass or a rule forbids it."""


@dataclass(frozen=True, slots=True)
class Standing:
    """What an article may not share a parcel with."""

    group: str | None
    goods_class: str
    shuns: frozenset[str]
    """Goods classes that the site's rules keep from it."""


@dataclass(frozen=True, slots=True)
class Case:
    """An order in a room on a day."""

    order: Order
    room: Room
    on: date | None
    work: Work = field(default_factory=Work)
    """What may still be searched for this order."""
    standings: dict[int, Standing] = field(default_factory=dict)
    """Of each article looked at, by its identity: who may be with whom is asked very often."""

    @property
    def service(self) -> Service | None:
        """The service that the order asks for, where the site knows it."""
        return self.room.services.get(self.order.service or "")


@dataclass(frozen=True, slots=True)
class Packed:
    """Goods in a bag: everything that the answer tells."""

    trial: Trial
    demands: Demands
    front: Front
    offer: Offer
    mass_g: float | None
    film_mass_g: float
    outer_size: tuple[float, float, float]
    billed: float | None
    cost: float | None

    def rank(self, aim: Aim) -> tuple[float, float, float]:
        """Smaller is better; equal bags keep the order in which they are loaded."""
        area, cost = self.offer.film_area, inf if self.cost is None else self.cost
        if aim is Aim.LEAST_COST:
            return cost, area, self.film_mass_g
        return area, self.film_mass_g, cost


@dataclass(frozen=True, slots=True)
class Asked:
    """What one station answered: a parcel, or none; and the bags that were turned down."""

    packed: Packed | None
    turned_down: tuple[TurnedDown, ...]
    least_film: float = inf
    """No packing into one bag of this station takes less film, mm2."""


class _Fronts:
    """The fronts of some pieces, one for each limit of thickness that is asked about."""

    def __init__(self, kinds: Sequence[Kind], work: Work, patience: Patience | None) -> None:
        self._counted = counted(kinds)
        self._kinds = kinds
        self._work = work
        self._patience = patience
        self._found: dict[float, Front] = {}

    def up_to(self, max_up: float) -> Front | None:
        """The front with goods no thicker than this, mm. Once the work that an order may take is
        spent, the front of a lower limit stands in, or none."""
        if max_up not in self._found:
            patience = self._work.spend(self._counted, self._patience)
            if patience is None:
                lower = max((up for up in self._found if up < max_up), default=None)
                return None if lower is None else self._found[lower]
            self._found[max_up] = front_of_counted(self._counted, max_up, patience)
        return self._found[max_up]

    @cached_property
    def floor(self) -> Floor:
        """What no arrangement can do without."""
        return floor_of(self._kinds)


def ask_station(
    case: Case,
    members: Sequence[Member],
    station: Station,
    label: tuple[float, float],
    patience: Patience | None = None,
) -> Asked:
    """Put these pieces into one bag of this station. `label` is (across, along) in mm.

    Without a `patience` the search is as thorough as the order's size allows.
    """
    items = list({id(member.item): member.item for member in members}.values())
    applying = rules_for(case.order, items, case.room)
    aim = case.room.packing.aim
    turned: list[TurnedDown] = []
    taking: list[Packed] = []
    least = inf
    fronts = _Fronts([member.kind for member in members], case.work, patience)
    for load in station.loaded:
        bag = case.room.bags.get(load.bag)
        if bag is None:
            unknown = Reason(code=ReasonCode.RULE, text=f"bag {load.bag} is not in the site file")
            turned.append(TurnedDown(station=station.id, bag=load.bag, reasons=(unknown,)))
            continue
        film = case.room.films[bag.film]
        trial = Trial(case.room, members, items, applying, label, station, load, bag, film)
        answer, bound = _tried(case, trial, fronts)
        least = min(least, bound)
        if not isinstance(answer, Packed):
            turned.append(TurnedDown(station=station.id, bag=bag.id, reasons=answer))
        else:
            taking.append(answer)
    best = min(taking, key=lambda packed: packed.rank(aim), default=None)
    turned += [outdone(packed, best, aim) for packed in taking if best and packed is not best]
    return Asked(best, tuple(turned), least)


def outdone(packed: Packed, best: Packed, aim: Aim) -> TurnedDown:
    """Why a bag that would take the goods is not taken: what it would use beside the best."""
    cost, least_cost = packed.cost, best.cost
    if aim is Aim.LEAST_COST and least_cost is not None and cost != least_cost:
        more = "no price is known for it" if cost is None else f"it would cost {cost:.2f}"
        reason = Reason(
            code=ReasonCode.COSTS_MORE,
            text=f"the goods fit, but {more}; bag {best.trial.bag.id} at {best.trial.station.id}"
            f" costs {least_cost:.2f}",
            needed=None if cost is None else round(cost, 6),
            available=round(least_cost, 6),
        )
    else:
        film, least = packed.offer.film_area, best.offer.film_area
        words = f"{film / 1e6:.4f} m2 of film", f"{least / 1e6:.4f}"
        if film == least:
            words = f"as much film ({film / 1e6:.4f} m2)", "no more"
        reason = Reason(
            code=ReasonCode.MORE_FILM,
            text=f"the goods fit, but it would take {words[0]}; bag {best.trial.bag.id} at"
            f" {best.trial.station.id} takes {words[1]}",
            needed=round(film, 2),
            available=round(least, 2),
            unit="mm2",
        )
    return TurnedDown(station=packed.trial.station.id, bag=packed.trial.bag.id, reasons=(reason,))


def _tried(case: Case, trial: Trial, fronts: _Fronts) -> tuple[Packed | tuple[Reason, ...], float]:
    """The parcel or the reasons against this bag; and the least film that it could take."""
    demands = demands_of(trial)
    reasons = [*unsuitable(trial, demands)]
    ease = demands.ease_across_mm, demands.ease_along_mm
    allowance = allowance_of(trial.bag, ease, trial.label, demands.label_margin_mm)
    if len(trial.members) > _MANY:
        # a long search whose answer can't be taken is not begun
        small = too_small(trial.bag, fronts.floor, allowance)
        reasons += [small] if small else []
        reasons += _over_masses(trial, demands, case.service, goods_mass(trial.members))
        if reasons:
            return tuple(reasons), inf
    front = fronts.up_to(demands.max_up.limit)
    if front is None:
        return (*reasons, _UNSEARCHED), least_film(trial.bag, fronts.floor, allowance)
    bound = inf if reasons or front.proved else least_film(trial.bag, fronts.floor, allowance)
    if not front.arrangements:
        return (*reasons, _too_thick(trial, demands)), bound
    offer = offer_of(trial.bag, front.arrangements, allowance)
    if isinstance(offer, tuple):
        return (*reasons, *offer), bound
    packed = _packed(case, trial, demands, front, offer)
    reasons += _over_limits(packed, case.service)
    reasons += _short_supply(offer, trial)
    if reasons:
        return tuple(reasons), bound
    return packed, offer.film_area if front.proved else bound


_UNSEARCHED = Reason(
    code=ReasonCode.NO_BAG_FITS,
    text="not looked at: the work that one order may take was spent on other bags",
)


def goods_mass(members: Sequence[Member]) -> float | None:
    """Mass of the goods, g; none where the catalogue lacks one."""
    masses = [member.kind.mass_g for member in members]
    known = [mass for mass in masses if mass is not None]
    return sum(known) if len(known) == len(masses) else None


def _packed(case: Case, trial: Trial, demands: Demands, front: Front, offer: Offer) -> Packed:
    film_mass = film_mass_g(trial.film, offer.film_area)
    goods = goods_mass(trial.members)
    mass = None if goods is None else goods + film_mass
    along, across, up = offer.arrangement.size
    outer = max(offer.length - up, along), max(offer.width - up, across), up
    billed = _billed(case, outer, mass)
    return Packed(
        trial=trial,
        demands=demands,
        front=front,
        offer=offer,
        mass_g=mass,
        film_mass_g=film_mass,
        outer_size=outer,
        billed=billed,
        cost=_cost(case, trial, offer, billed),
    )


def _billed(case: Case, outer: tuple[float, float, float], mass_g: float | None) -> float | None:
    if case.service is None or mass_g is None:
        return None
    rule = dimensional_rule(case.service, case.on)
    return billed_mass(rule, outer, mass_g) if rule else None


def _cost(case: Case, trial: Trial, offer: Offer, billed: float | None) -> float | None:
    price = film_price(trial.bag, trial.film, offer.width, offer.length)
    if price is None:
        return None
    price += case.room.packing.price_per_label
    service = case.service
    if service is not None:
        price += service.price_base
        if service.price_per_mass_unit is not None and billed is not None:
            price += service.price_per_mass_unit * billed
    return price


def _too_thick(trial: Trial, demands: Demands) -> Reason:
    thinnest = max(min(pose.up for pose in member.kind.poses) for member in trial.members)
    return Reason(
        code=ReasonCode.TOO_THICK,
        text=f"the goods are at least {thinnest:.1f} mm thick as they may be laid;"
        f" {demands.max_up.by} passes {demands.max_up.limit:.1f} mm",
        rule=demands.max_up.by,
        needed=round(thinnest, 3),
        available=demands.max_up.limit,
        unit="mm",
    )


def _over_limits(packed: Packed, service: Service | None) -> list[Reason]:
    reasons = _over_masses(packed.trial, packed.demands, service, packed.mass_g)
    if service is None:
        return reasons
    sides = sorted(packed.outer_size, reverse=True)
    around = sides[0] + 2 * (sides[1] + sides[2])
    for what, needed, limit in (
        ("longest side", sides[0], service.max_length_mm),
        ("length plus girth", around, service.max_length_plus_girth_mm),
    ):
        if limit is not None and needed > limit:
            reasons.append(
                Reason(
                    code=ReasonCode.SERVICE_LIMIT,
                    text=f"the parcel's {what} would be {needed:.0f} mm;"
                    f" service {service.id} takes {limit:.0f} mm",
                    rule=service.id,
                    needed=round(needed, 3),
                    available=limit,
                    unit="mm",
                )
            )
    return reasons


def _over_masses(
    trial: Trial, demands: Demands, service: Service | None, mass_g: float | None
) -> list[Reason]:
    limits = [(demands.max_mass.limit, demands.max_mass.by)]
    if service is not None and service.max_mass_g is not None:
        limits.append((service.max_mass_g, f"service {service.id}"))
    found = [_over_mass(trial, mass_g, limit, by) for limit, by in limits if limit < inf]
    return [reason for reason in found if reason is not None]


def _over_mass(trial: Trial, mass_g: float | None, limit: float, by: str) -> Reason | None:
    if mass_g is None:
        missing = sorted({m.item.sku for m in trial.members if m.kind.mass_g is None})
        return Reason(
            code=ReasonCode.NO_MASS,
            text=f"{by} takes {limit:.0f} g, and the catalogue has no mass for"
            f" {', '.join(missing[:5])}",
            rule=by,
            available=limit,
            unit="g",
        )
    if mass_g <= limit:
        return None
    return Reason(
        code=ReasonCode.TOO_HEAVY,
        text=f"goods and bag weigh {mass_g:.0f} g; {by} takes {limit:.0f} g",
        rule=by,
        needed=round(mass_g, 3),
        available=limit,
        unit="g",
    )


def _short_supply(offer: Offer, trial: Trial) -> list[Reason]:
    metres = trial.load.metres_left
    if metres is None or trial.bag.form is BagForm.PRE_OPENED or offer.length <= metres * 1000:
        return []
    left = metres * 1000
    return [
        Reason(
            code=ReasonCode.SUPPLY_OUT,
            text=f"{left:.0f} mm are left on slot {trial.load.slot}; the bag takes"
            f" {offer.length:.0f} mm",
            needed=offer.length,
            available=left,
            unit="mm",
        )
    ]
