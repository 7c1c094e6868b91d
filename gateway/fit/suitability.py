"""Whether a bag may take these goods at all, before any size is looked at."""

from collections.abc import Iterator, Sequence

from gateway.fit.demands import Demands, Trial
from schemas.decision import Reason, ReasonCode
from schemas.goods import Item
from schemas.rules import BagDemand
from schemas.station import Media, Station
from schemas.supply import Bag, Film, Opening

_OPENINGS = {BagDemand.HANDLE: Opening.HANDLE, BagDemand.HANG_HOLE: Opening.HANG_HOLE}


def unsuitable(trial: Trial, demands: Demands) -> Iterator[Reason]:
    """Every reason, sizes and masses apart, why this bag may not take these goods."""
    load, bag, film, station = trial.load, trial.bag, trial.film, trial.station
    if load.pieces_left == 0 or load.metres_left == 0:
        yield Reason(code=ReasonCode.SUPPLY_OUT, text=f"slot {load.slot} is empty")
    for rule in demands.barred_by:
        yield Reason(
            code=ReasonCode.RULE,
            text=rule.effect.manual or f"rule {rule.name!r} turns this bag down",
            rule=rule.name,
        )
    if film.dark and station.printer.media is Media.ON_FILM:
        yield Reason(
            code=ReasonCode.FILM_DARK,
            text=f"print does not show on {film.colour} film {film.id}:"
            " it takes applied labels only",
        )
    yield from _film_demands(film, demands)
    yield from _openings(station, bag, demands)
    if _warning_missing(bag, demands):
        yield Reason(
            code=ReasonCode.WARNING_MISSING,
            text="a suffocation warning is asked for; the bag carries none and the site names no"
            " text to print",
            rule=demands.demanded_by.get(BagDemand.WARNING),
        )
    yield from _spill(trial.items, bag, demands)
    yield from _dangerous(trial, demands)


def _film_demands(film: Film, demands: Demands) -> Iterator[Reason]:
    for demand, missing in ((BagDemand.CLEAR, not film.clear), (BagDemand.OPAQUE, film.clear)):
        if demand in demands.demanded and missing:
            yield Reason(
                code=ReasonCode.FILM_NOT_CLEAR if demand is BagDemand.CLEAR else ReasonCode.RULE,
                text=f"film {film.id} is not {demand.value}",
                rule=demands.demanded_by[demand],
            )


def _openings(station: Station, bag: Bag, demands: Demands) -> Iterator[Reason]:
    """A bag made on the station has its hole punched there; a pre-opened one came with it."""
    for demand, opening in _OPENINGS.items():
        if demand not in demands.demanded:
            continue
        punched = opening.value in station.punches and bag.header_mm > 0
        if bag.opening is not opening and not punched:
            yield Reason(
                code=ReasonCode.OPENING_MISSING,
                text=f"the bag has no {opening.value.replace('_', ' ')}, and station {station.id}"
                " punches none into its header",
                rule=demands.demanded_by[demand],
            )


def _warning_missing(bag: Bag, demands: Demands) -> bool:
    asked = BagDemand.WARNING in demands.demanded
    return asked and not bag.warning_printed and demands.warning_text is None


def _spill(items: Sequence[Item], bag: Bag, demands: Demands) -> Iterator[Reason]:
    if bag.spill_containment:
        return
    loose = [i.sku for i in items if i.handling.liquid and not i.handling.inner_bag]
    rule = demands.demanded_by.get(BagDemand.SPILL_CONTAINMENT)
    if loose or rule is not None:
        liquids = f"liquid {', '.join(loose[:5])} has no inner bag, and " if loose else ""
        yield Reason(
            code=ReasonCode.SPILL,
            text=f"{liquids}the bag is not marked for spill containment",
            rule=rule,
        )


def _dangerous(trial: Trial, demands: Demands) -> Iterator[Reason]:
    here = {rule.name for rule in demands.approvals}
    approved = {n for rule, who in trial.applying if rule.name in here for n in who}
    for number, item in enumerate(trial.items):
        if item.handling.dangerous and number not in approved:
            yield Reason(
                code=ReasonCode.DANGEROUS_GOODS,
                text=f"{item.sku} is dangerous goods, and no rule of the site allows it in"
                " this bag",
            )
