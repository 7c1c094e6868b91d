"""Intake: check an event, recognise a repeat, do what it asks and make both durable in one step."""

from collections.abc import Callable

import structlog
from sqlalchemy.engine import Connection

from gateway.dispatch.row import advance, pull, sealed
from gateway.dispatch.scans import verify_scan
from gateway.dispatch.station_state import state_seen
from gateway.dispatch.supply import set_load
from gateway.errors import ChangedRepeat, Invalid, UnknownStation
from gateway.intake.envelope import Incoming
from gateway.intake.measure import remember
from gateway.intake.pack import Packer, Scan, not_found
from gateway.intake.redecide import redecide
from gateway.logs import bound
from gateway.metrics import Metrics
from gateway.store import orders
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.events import (
    Accepted,
    AcceptedOutcome,
    BagAdvanced,
    BagPulled,
    BagSealed,
    ItemMeasured,
    ItemPresent,
    LabelScanned,
    OrderScanned,
    StationStateSeen,
    SupplyChanged,
)
from schemas.ledger import EntryKind
from schemas.order import Order
from schemas.problem import FieldProblem
from schemas.site import Site
from schemas.station import Station

log = structlog.get_logger(__name__)

Doing = Callable[[Work], Accepted]
Step = Callable[[Work], object]


class Intake:
    """The one way in for every event, whichever line it came by."""

    def __init__(self, site: Site, store: Store, metrics: Metrics, packer: Packer) -> None:
        self._stations = {station.id: station for station in site.station}
        self._bags = {bag.id for bag in site.bag}
        self._store = store
        self._metrics = metrics
        self._packer = packer

    async def accept(self, incoming: Incoming, *, actor: str) -> Accepted:
        """Accept one event. What is returned is durable; what raises was not accepted.

        Raises `UnknownStation`, `ChangedRepeat`, `Invalid`, `NotAllowedNow`, `LaneFull` or
        `Unavailable`.
        """
        place: str = incoming.data.station  # type: ignore[attr-defined]
        with bound(event_id=incoming.event.id, station=place):
            found = await self._what_to_do(incoming, actor)
            if isinstance(found, Accepted):
                self._metrics.event(incoming.event.type.value, "repeated")
                return found
            doing = found
            accepted = await self._store.write(
                lambda work: self._durable(work, incoming, doing, actor)
            )
            if isinstance(incoming.data, SupplyChanged) and not accepted.repeated:
                station = self._station(incoming.data.station)
                today = self._packer.today()
                await redecide(self._store, self._packer, station, today=today, actor=actor)
            self._count(incoming, accepted)
            return accepted

    def _repeat_of(self, conn: Connection, incoming: Incoming) -> Accepted | None:
        found = orders.answer_of(conn, *incoming.key)
        if found is None:
            return None
        digest, answer = found
        if digest != incoming.content_sha256:
            raise ChangedRepeat(
                f"Event {incoming.event.id!r} of {incoming.event.source!r} was accepted before "
                "with other content. Give a new event a new id.",
                fields=[FieldProblem(field="id", text="used before")],
            )
        return answer.model_copy(update={"repeated": True})

    def _durable(self, work: Work, incoming: Incoming, doing: Doing, actor: str) -> Accepted:
        """Do it and keep the event, unless the same one got in between."""
        known = self._repeat_of(work.conn, incoming)
        if known is not None:
            return known
        accepted = doing(work)
        orders.put_event(
            work.conn,
            accepted,
            type_=incoming.event.type.value,
            station=incoming.data.station,  # type: ignore[attr-defined]
            content_sha256=incoming.content_sha256,
            raw=incoming.raw,
            now=work.now,
        )
        work.record(
            EntryKind.EVENT_ACCEPTED,
            actor=actor,
            order_id=accepted.order_id,
            station=incoming.data.station,  # type: ignore[attr-defined]
            event_id=incoming.event.id,
            source=incoming.event.source,
            type=incoming.event.type.value,
            content_sha256=incoming.content_sha256,
            outcome=accepted.outcome.value,
        )
        return accepted

    async def _what_to_do(self, incoming: Incoming, actor: str) -> Doing | Accepted:
        """What the event asks for, as a step; or, for an event seen before, its answer."""
        data = incoming.data
        station = self._station(data.station)  # type: ignore[attr-defined]
        match data:
            case OrderScanned():
                scan = Scan(station, data.code, data.measured, data.operator or actor)
                return await self._order(incoming, scan, data.order)
            case ItemPresent():
                until = self._packer.go_until(station)
                scan = Scan(station, data.code, data.measured, actor, until)
                return await self._order(incoming, scan, None)
            case _:
                return self._plain(incoming, station, actor)

    async def _order(self, incoming: Incoming, scan: Scan, order: Order | None) -> Doing | Accepted:
        """Fetch the order if need be. An event seen before asks the WMS nothing again."""
        if order is None:
            known = await self._store.glance(lambda conn: self._repeat_of(conn, incoming))
            if known is not None:
                return known
            order = await self._packer.fetch(scan.code)
            if order is None:
                return lambda work: not_found(work, incoming, scan)
        order_id = order.order_id
        known, now = await self._store.glance(
            lambda conn: (
                self._repeat_of(conn, incoming),
                self._packer.look(conn, scan, order_id),
            )
        )
        if known is not None:
            return known
        return await self._packer.plan(incoming, scan, order, now)

    def _plain(self, incoming: Incoming, station: Station, actor: str) -> Doing:
        data = incoming.data
        match data:
            case LabelScanned():
                return lambda work: self._scanned(work, incoming, data, actor)
            case BagPulled():
                return lambda work: _pulled(work, incoming, station, data, actor)
            case BagAdvanced():
                step: Step = lambda work: advance(work, station, data.steps)  # noqa: E731
            case StationStateSeen():
                step = lambda work: state_seen(  # noqa: E731
                    work, station.id, data.state, data.detail, actor
                )
            case SupplyChanged():
                self._known_bag(data.bag)
                step = lambda work: set_load(work, data, data.operator or actor)  # noqa: E731
            case ItemMeasured():
                step = lambda work: remember(  # noqa: E731
                    work, station.id, data.code, data.measured
                )
            case BagSealed():
                step = lambda work: sealed(work, station, data.job_id)  # noqa: E731
            case _:
                raise Invalid(f"Nothing handles {incoming.event.type.value}.")
        return lambda work: _recorded(work, incoming, step)

    def _scanned(self, work: Work, incoming: Incoming, data: LabelScanned, actor: str) -> Accepted:
        result = verify_scan(
            work, self._station(data.station), data.code, data.operator or actor, incoming.event.id
        )
        return Accepted(
            source=incoming.event.source,
            id=incoming.event.id,
            repeated=False,
            outcome=AcceptedOutcome.SCAN_JUDGED,
            text=result.text,
            order_id=result.order_id,
            scan=result,
        )

    def _station(self, name: str) -> Station:
        station = self._stations.get(name)
        if station is None:
            raise UnknownStation(
                f"There is no station {name!r}. The site file has: {', '.join(self._stations)}.",
                fields=[FieldProblem(field="data.station", text="not in the site file")],
            )
        return station

    def _known_bag(self, bag: str) -> None:
        if bag not in self._bags:
            raise Invalid(
                f"There is no bag {bag!r} in the site file.",
                fields=[FieldProblem(field="data.bag", text="not in the site file")],
            )

    def _count(self, incoming: Incoming, accepted: Accepted) -> None:
        type_ = incoming.event.type.value
        self._metrics.event(type_, "repeated" if accepted.repeated else accepted.outcome.value)
        if accepted.scan is not None and not accepted.repeated:
            self._metrics.scan(accepted.scan.station, accepted.scan.verdict.value)
        log.info(
            "event.accepted",
            type=type_,
            outcome=accepted.outcome.value,
            order_id=accepted.order_id,
            repeated=accepted.repeated,
        )


def _pulled(
    work: Work, incoming: Incoming, station: Station, data: BagPulled, actor: str
) -> Accepted:
    pulled = pull(work, station, data.position, data.reason, data.operator or actor)
    text = f"The bag of order {pulled.order_id} is void. Print it again once its goods are at hand."
    accepted = _recorded(work, incoming, lambda _: None)
    return accepted.model_copy(update={"text": text, "order_id": pulled.order_id})


def _recorded(work: Work, incoming: Incoming, step: Step) -> Accepted:
    step(work)
    return Accepted(
        source=incoming.event.source,
        id=incoming.event.id,
        repeated=False,
        outcome=AcceptedOutcome.RECORDED,
    )
