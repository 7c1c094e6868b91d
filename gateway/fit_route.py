"""`POST /v1/fit`: what would you do with this order? Nothing is packed, kept or printed."""

from collections.abc import Callable, Sequence
from datetime import date
from typing import Annotated

from fastapi import APIRouter
from pydantic import Discriminator, Tag

from gateway.clock import Clock, SystemClock
from gateway.errors import UnknownStation
from gateway.fit import Room, decide
from schemas.base import Record, StationId
from schemas.decision import Decision
from schemas.goods import MeasuredSize
from schemas.order import Order
from schemas.station import Station


class FitQuestion(Record):
    """An order, and what else bears on its answer."""

    order: Order
    station: StationId | None = None
    """Ask only this station."""
    measured: MeasuredSize | None = None
    """What a dimension scanner saw, for an order of one piece."""
    on: date | None = None
    """The day whose dated rules count; today where left empty."""


def _asked(body: object) -> str:
    """Whether a body is a question or an order alone, so that what is wrong is told of that."""
    has_order = "order" in body if isinstance(body, dict) else hasattr(body, "order")
    return "question" if has_order else "order"


Body = Annotated[
    Annotated[FitQuestion, Tag("question")] | Annotated[Order, Tag("order")], Discriminator(_asked)
]


def fit_router(
    room: Room,
    stations: Callable[[], Sequence[Station]],
    clock: Clock | None = None,
) -> APIRouter:
    """The route; `stations` gives them with what they have loaded at the time of asking."""
    clock = clock or SystemClock()
    router = APIRouter(tags=["fit"])

    # not async: a long search runs in a thread of the server's pool
    @router.post("/v1/fit", summary="Choose bags for an order without packing it")
    def fit(asked: Body) -> Decision:
        """Take a question, or an order alone, and answer as `bagrelay fit` does."""
        question = FitQuestion(order=asked) if isinstance(asked, Order) else asked
        now = stations()
        chosen = [station for station in now if question.station in {None, station.id}]
        if not chosen:
            known = ", ".join(station.id for station in now)
            raise UnknownStation(f"there is no station {question.station!r}; there are {known}")
        on = question.on or clock.now().date()
        return decide(question.order, room, chosen, measured=question.measured, on=on)

    return router
