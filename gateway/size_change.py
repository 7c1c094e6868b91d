"""Planning a change of the bag size at a station: what to finish, who fits then, what it costs.

With bags between printing and loading, a size can't change from one order to the next: what is
printed keeps its size. So the change is planned, shown and priced before anybody makes it.
"""

from collections.abc import Mapping
from datetime import date

from fastapi import APIRouter
from sqlalchemy.engine import Connection

from gateway.clock import Clock
from gateway.dispatch.supply import now_at
from gateway.errors import NotFound
from gateway.fit import Room, decide
from gateway.store import jobs, orders
from gateway.store.store import Store
from schemas.decision import Decision, Outcome
from schemas.order import Order
from schemas.site import Site
from schemas.size_change import BagToFinish, OrderAfter, SizeChangePlan
from schemas.station import Load, Station
from schemas.supply import Bag, PreOpenedBag


def routes(site: Site, room: Room, store: Store, clock: Clock) -> APIRouter:
    """The plan of a size change."""
    router = APIRouter(tags=["stations"])
    stations = {station.id: station for station in site.station}
    bags = {bag.id: bag for bag in site.bag}

    @router.get("/v1/stations/{station_id}/size-change")
    def size_change(station_id: str, bag: str, slot: int = 1) -> SizeChangePlan:
        """What loading another bag in a slot of the station would mean. Changes nothing."""
        station, then = stations.get(station_id), bags.get(bag)
        if station is None or then is None:
            raise NotFound(f"There is no station {station_id!r} or no bag {bag!r}.")
        today = clock.now().date()
        return store.read_now(
            lambda conn: plan(conn, now_at(conn, station), slot, then, bags, room, today)
        )

    return router


def plan(
    conn: Connection,
    station: Station,
    slot: int,
    then: Bag,
    bags: Mapping[str, Bag],
    room: Room,
    today: date,
) -> SizeChangePlan:
    """Read the row and the lane, ask the fit for every waiting order, add up."""
    now = next((load for load in station.loaded if load.slot == slot), None)
    others = tuple(load for load in station.loaded if load.slot != slot)
    after = station.model_copy(update={"loaded": (*others, Load(bag=then.id, slot=slot))})
    finish = tuple(
        BagToFinish(position=job.row_position or 0, job_id=job.job_id, order_id=job.order_id)
        for job in jobs.row_of(conn, station.id)
    )
    waiting = dict.fromkeys(job.order_id for job in jobs.waiting(conn, station.id))
    told = tuple(told for name in waiting if (told := _order_after(conn, name, after, room, today)))
    waste = station.bags_ahead + station.changeover_waste_bags
    manual = sum(one.outcome is Outcome.MANUAL for one in told)
    return SizeChangePlan(
        station=station.id,
        slot=slot,
        bag_now=now.bag if now else None,
        bag_then=then.id,
        finish_first=finish,
        orders=told,
        to_manual=manual,
        film_difference_mm2=sum(
            one.film_area_after_mm2 - one.film_area_before_mm2
            for one in told
            if one.outcome is Outcome.PACKED
        ),
        waste_bags=waste,
        waste_price=_waste_price(waste, now, bags, then),
        minutes=station.changeover_min,
        text=_text(station, then, finish, len(told), manual, waste),
    )


def _order_after(
    conn: Connection, order_id: str, after: Station, room: Room, today: date
) -> OrderAfter | None:
    row = orders.find(conn, order_id)
    if row is None or row.content is None:
        return None
    decided = decide(Order.model_validate_json(row.content), room, [after], on=today)
    return OrderAfter(
        order_id=order_id,
        outcome=decided.outcome,
        text=" ".join(reason.text for reason in decided.reasons),
        film_area_before_mm2=_film(row.decision),
        film_area_after_mm2=_film(decided),
    )


def _film(decision: Decision) -> float:
    return sum(parcel.film_area_mm2 for parcel in decision.parcels)


def _waste_price(waste: int, now: Load | None, bags: Mapping[str, Bag], then: Bag) -> float | None:
    """Blank bags are of the old kind, those that threading spoils of the new; the dearer counts."""
    kinds = [then, *([bags[now.bag]] if now else [])]
    prices = [bag.price_each for bag in kinds if isinstance(bag, PreOpenedBag) and bag.price_each]
    return round(waste * max(prices), 4) if prices else None


def _text(
    station: Station,
    then: Bag,
    finish: tuple[BagToFinish, ...],
    waiting: int,
    manual: int,
    waste: int,
) -> str:
    first = (
        f"Finish the {len(finish)} printed bag(s) first: they keep the old size. " if finish else ""
    )
    return (
        f"{first}Loading {then.id} at {station.id} takes about {station.changeover_min:g} min and "
        f"{waste} bag(s). Of {waiting} waiting order(s), {manual} would go to manual packing."
    )
