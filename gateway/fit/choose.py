"""The answer for an order: which bags at which station, or why it goes to manual packing."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from math import inf

from gateway.fit.answer import parcel_of
from gateway.fit.bound import least_film_of_parcels
from gateway.fit.catalogue import dispute_of
from gateway.fit.conditions import holds_for_item, holds_for_order
from gateway.fit.fewest import fewest_parcels, told
from gateway.fit.parcel import Case, Packed, ask_station, outdone
from gateway.fit.pieces import Member, gather
from gateway.fit.room import Room
from gateway.fit.split import against_each, must_part, parted, quarrel, sets_apart
from schemas.decision import Decision, Outcome, Reason, ReasonCode, SizeDispute, TurnedDown
from schemas.goods import MeasuredSize
from schemas.order import Order
from schemas.rules import BagCondition, StationCondition
from schemas.station import Load, Station


def decide(
    order: Order,
    room: Room,
    stations: Sequence[Station],
    *,
    measured: MeasuredSize | None = None,
    on: date | None = None,
) -> Decision:
    """Choose bags for an order, or say why it goes to manual packing; it never raises for an order.

    `stations` carry what they have loaded now. `measured` stands for the catalogue's size where
    the order is one piece. `on` is the day that picks a service's dated rules; without it the
    newest rule is taken.
    """
    single = len(order.lines) == 1 and order.lines[0].quantity == 1
    seen = measured if single else None
    warnings: tuple[str, ...] = () if measured is None or single else (_UNUSED_MEASURE,)
    if order.service is not None and order.service not in room.services:
        warnings += (f"the site knows no service {order.service!r}: its limits were not checked",)
    dispute = dispute_of(order.lines[0], seen, room.packing) if seen else None
    disputed = (dispute,) if dispute else ()
    members, reasons = gather(order.lines, seen, room.packing.max_pieces)
    reasons += _sent_to_manual(order, room)
    takes = [s for s in stations if order.purpose in s.purposes]
    if not takes:
        reasons.append(_no_station(order, stations))
    if reasons:
        return _manual(order, reasons, disputed, warnings)
    return _best_of(Case(order, room, on), members, takes, disputed, warnings)


_UNUSED_MEASURE = "the measured size was not used: it stands for one piece, the order has more"


def _no_station(order: Order, stations: Sequence[Station]) -> Reason:
    asked = ", ".join(station.id for station in stations) or "none"
    return Reason(
        code=ReasonCode.RULE,
        text=f"no station asked about ({asked}) takes {order.purpose.value} goods",
    )


def _best_of(
    case: Case,
    members: Sequence[Member],
    stations: Sequence[Station],
    disputed: tuple[SizeDispute, ...],
    warnings: tuple[str, ...],
) -> Decision:
    apart = must_part(case, members)
    turned: list[TurnedDown] = []
    wholes: list[Packed] = []
    bound = inf
    for station in () if apart else stations:
        asked = ask_station(case, members, station, label_face(case.order, station))
        turned += asked.turned_down
        wholes += [asked.packed] if asked.packed else []
        bound = min(bound, asked.least_film)
    ways = [[packed] for packed in wholes] or list(_parted(case, members, stations))
    if not ways:
        if apart:
            for station in stations:
                turned += against_each(case, members, station, label_face(case.order, station))
        why = list(_why_none(case, members, stations, turned))
        warnings += tuple(_would_hold(case, members, stations))
        return _manual(case.order, why, disputed, warnings, turned)
    best = min(ways, key=partial(_rank, case))
    aim = case.room.packing.aim
    turned += [outdone(packed, best[0], aim) for packed in wholes if packed is not best[0]]
    least = 1
    if len(best) > 1:
        apart_at = partial(quarrel, case)
        least = min(fewest_parcels(case, members, station, apart_at) for station in stations)
        loaded = {load.bag for station in stations for load in station.loaded}
        kinds = [member.kind for member in members]
        stocked = [bag for name, bag in case.room.bags.items() if name in loaded]
        bound = least_film_of_parcels(stocked, kinds, len(best))
    if case.order.labels and len(case.order.labels) < len(best):
        return _manual(case.order, [_unlabelled(case.order, best)], disputed, warnings, turned)
    unproved = told(len(best), least)
    warnings += (unproved,) if unproved else ()
    film = sum(packed.offer.film_area for packed in best)
    reasons = [_dispute_reason(dispute) for dispute in disputed]
    return Decision(
        order_id=case.order.order_id,
        outcome=Outcome.PACKED,
        reasons=tuple(reasons),
        parcels=tuple(parcel_of(case, packed) for packed in best),
        lower_bound_film_area_mm2=round(min(bound, film), 3),
        lower_bound_parcels=least,
        turned_down=tuple(turned),
        warnings=warnings,
        disputed=disputed,
    )


def _parted(
    case: Case, members: Sequence[Member], stations: Sequence[Station]
) -> Iterator[list[Packed]]:
    """The parcels of each station that can make several; each may search its share."""
    for number, station in enumerate(stations):
        own = replace(case, work=case.work.share(len(stations) - number))
        parcels = parted(own, members, station, label_face(case.order, station))
        case.work.give_back(own.work)
        if parcels:
            yield parcels


def label_face(order: Order, station: Station) -> tuple[float, float]:
    """The largest label of the order across and along the bag, mm."""
    printer = station.printer
    wide = max([x.width_mm or printer.label_width_mm for x in order.labels], default=None)
    high = max([x.height_mm or printer.label_height_mm for x in order.labels], default=None)
    face = wide or printer.label_width_mm, high or printer.label_height_mm
    return (face[1], face[0]) if station.label_across else face


def _rank(case: Case, parcels: Sequence[Packed]) -> tuple[float, ...]:
    ranks = [packed.rank(case.room.packing.aim) for packed in parcels]
    return (len(parcels), *(sum(column) for column in zip(*ranks, strict=True)))


def _sent_to_manual(order: Order, room: Room) -> Iterator[Reason]:
    """Rules that send the order to manual packing whatever the bag, and dangerous goods."""
    approvals = []
    for rule in room.rules:
        if not holds_for_order(rule.when.order, order):
            continue
        who = [line for line in order.lines if holds_for_item(rule.when.item, line.item)]
        anywhere = rule.when.bag == BagCondition() and rule.when.station == StationCondition()
        if rule.effect.manual and who and anywhere:
            yield Reason(code=ReasonCode.RULE, text=rule.effect.manual, rule=rule.name)
        if rule.effect.allow_dangerous:
            approvals.append(rule)
    for line in order.lines:
        allowed = any(holds_for_item(rule.when.item, line.item) for rule in approvals)
        if line.item.handling.dangerous and not allowed:
            yield Reason(
                code=ReasonCode.DANGEROUS_GOODS,
                text=f"line {line.line_id}: {line.item.sku} is dangerous goods, and no rule of the"
                " site allows it in a bag",
            )


def _why_none(
    case: Case,
    members: Sequence[Member],
    stations: Sequence[Station],
    turned: Sequence[TurnedDown],
) -> Iterator[Reason]:
    if not any(station.loaded for station in stations):
        names = ", ".join(station.id for station in stations)
        yield Reason(code=ReasonCode.NO_BAG_LOADED, text=f"nothing is loaded at {names}")
        return
    yield Reason(
        code=ReasonCode.NO_BAG_FITS,
        text="no bag that is loaded takes the order, whole or in several parcels",
    )
    most, apart = case.room.packing.max_parcels, sets_apart(case, members)
    if apart > most:
        yield Reason(
            code=ReasonCode.RULE,
            text=f"goods that are kept apart make {apart} parcels; the site allows {most}",
            needed=apart,
            available=most,
            unit="parcels",
        )
    for down in turned:
        yield from (
            reason.model_copy(update={"text": f"{down.station}, bag {down.bag}: {reason.text}"})
            for reason in down.reasons
        )


def _would_hold(
    case: Case, members: Sequence[Member], stations: Sequence[Station]
) -> Iterator[str]:
    """Bags of the site that are not loaded and would take the whole order, to be loaded."""
    for station in stations:
        loaded = {load.bag for load in station.loaded}
        makes = {bag.form for name, bag in case.room.bags.items() if name in loaded}
        others = tuple(
            Load(bag=name)
            for name, bag in case.room.bags.items()
            if name not in loaded and bag.form in makes
        )
        if not others or must_part(case, members):
            continue
        spare = station.model_copy(update={"loaded": others})
        asked = ask_station(case, members, spare, label_face(case.order, station))
        if asked.packed is not None:
            yield f"bag {asked.packed.trial.bag.id} would take the order if {station.id} had it"


def _unlabelled(order: Order, parcels: Sequence[Packed]) -> Reason:
    return Reason(
        code=ReasonCode.PARCELS_NOT_LABELLED,
        text=f"the order needs {len(parcels)} parcels and brought {len(order.labels)} labels",
        needed=len(parcels),
        available=len(order.labels),
        unit="labels",
    )


def _dispute_reason(dispute: SizeDispute) -> Reason:
    return Reason(
        code=ReasonCode.SIZE_DISPUTED, text=dispute.text, needed=dispute.off_by_mm, unit="mm"
    )


def _manual(
    order: Order,
    reasons: Sequence[Reason],
    disputed: tuple[SizeDispute, ...],
    warnings: tuple[str, ...],
    turned: Sequence[TurnedDown] = (),
) -> Decision:
    return Decision(
        order_id=order.order_id,
        outcome=Outcome.MANUAL,
        reasons=(*reasons, *(_dispute_reason(dispute) for dispute in disputed)),
        turned_down=tuple(turned),
        warnings=warnings,
        disputed=disputed,
    )
