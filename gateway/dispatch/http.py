"""Routes for stations and for what people do at them."""

from collections.abc import Mapping
from typing import Protocol

from fastapi import APIRouter
from sqlalchemy.engine import Connection

from gateway.access.caller import Asking
from gateway.dispatch import holds
from gateway.dispatch.station_view import LaneOf, station_view, station_views, waiting_jobs
from gateway.errors import NotFound
from gateway.store.store import Store
from schemas.desk import Answer, MoveOrder, Reasoned, RowRepair, RowRepairPlan, Settle
from schemas.station import Station
from schemas.views import OrderSummary, StationView, WorkList


class DeskActions(Protocol):
    """What the routes need of the desk."""

    async def release(self, station: str, reason: str, by: str) -> None: ...
    async def hold(self, station: str, reason: str, by: str) -> None: ...
    async def settle(self, job_id: str, answer: Answer, reason: str, by: str) -> None: ...
    async def void(self, job_id: str, reason: str, by: str) -> None: ...
    async def cancel(self, job_id: str, reason: str, by: str) -> None: ...
    async def reprint(self, job_id: str, reason: str, by: str) -> str: ...
    async def move_order(self, order_id: str, to_station: str, reason: str, by: str) -> None: ...
    async def repair_plan(self, station: str) -> RowRepairPlan: ...
    async def repair(self, station: str, repair: RowRepair) -> list[str]: ...


class ManualOrders(Protocol):
    """Lists the orders that wait for manual packing."""

    def __call__(self, conn: Connection) -> list[OrderSummary]: ...


def reading(
    stations: Mapping[str, Station], store: Store, lane_of: LaneOf, manual: ManualOrders
) -> APIRouter:
    """Stations now, and the work list."""
    router = APIRouter(tags=["stations"])

    @router.get("/v1/stations")
    async def all_stations() -> list[StationView]:
        """Every station now."""
        return await store.read(lambda conn: station_views(conn, list(stations.values()), lane_of))

    @router.get("/v1/stations/{station_id}")
    async def one_station(station_id: str) -> StationView:
        """One station now: what must be loaded, its row of printed bags, why it is held."""
        station = stations.get(station_id)
        if station is None:
            raise NotFound(f"There is no station {station_id!r}.")
        return await store.read(lambda conn: station_view(conn, station, lane_of))

    @router.get("/v1/waiting")
    async def work_list() -> WorkList:
        """Everything that waits for a person: held stations, open questions, manual packing."""
        return await store.read(lambda conn: _work_list(conn, stations, lane_of, manual))

    return router


def _work_list(
    conn: Connection, stations: Mapping[str, Station], lane_of: LaneOf, manual: ManualOrders
) -> WorkList:
    held = [stations[hold.station] for hold in holds.open_holds(conn) if hold.station in stations]
    return WorkList(
        holds=tuple(station_views(conn, held, lane_of)),
        jobs=tuple(waiting_jobs(conn)),
        manual=tuple(manual(conn)),
    )


def acting(desk: DeskActions) -> APIRouter:
    """What people do: each with a reason and a name."""
    router = APIRouter(tags=["desk"])

    @router.post("/v1/stations/{station_id}/hold", status_code=204)
    async def hold(station_id: str, said: Reasoned, caller: Asking) -> None:
        """Hold a station by hand."""
        await desk.hold(station_id, said.reason, caller.signed(said.by))

    @router.post("/v1/stations/{station_id}/release", status_code=204)
    async def release(station_id: str, said: Reasoned, caller: Asking) -> None:
        """Let a held station go on."""
        await desk.release(station_id, said.reason, caller.signed(said.by))

    @router.get("/v1/stations/{station_id}/repair")
    async def repair_plan(station_id: str) -> RowRepairPlan:
        """What would put a shifted row right."""
        return await desk.repair_plan(station_id)

    @router.post("/v1/stations/{station_id}/repair")
    async def repair(station_id: str, approved: RowRepair, caller: Asking) -> list[str]:
        """Carry out an approved repair; the ids of the jobs that print again."""
        signed = approved.model_copy(update={"by": caller.signed(approved.by)})
        return await desk.repair(station_id, signed)

    @router.post("/v1/jobs/{job_id}/settle", status_code=204)
    async def settle(job_id: str, said: Settle, caller: Asking) -> None:
        """Answer a job that waits for a person."""
        await desk.settle(job_id, said.answer, said.reason, caller.signed(said.by))

    @router.post("/v1/jobs/{job_id}/void", status_code=204)
    async def void(job_id: str, said: Reasoned, caller: Asking) -> None:
        """Say that a printed bag must not leave."""
        await desk.void(job_id, said.reason, caller.signed(said.by))

    @router.post("/v1/jobs/{job_id}/cancel", status_code=204)
    async def cancel(job_id: str, said: Reasoned, caller: Asking) -> None:
        """Say that a waiting job will not be printed."""
        await desk.cancel(job_id, said.reason, caller.signed(said.by))

    @router.post("/v1/jobs/{job_id}/reprint")
    async def reprint(job_id: str, said: Reasoned, caller: Asking) -> dict[str, str]:
        """Print a voided job's label again; the new job's id."""
        return {"job_id": await desk.reprint(job_id, said.reason, caller.signed(said.by))}

    @router.post("/v1/orders/{order_id}/move", status_code=204)
    async def move_order(order_id: str, said: MoveOrder, caller: Asking) -> None:
        """Take an order's waiting jobs to another station."""
        await desk.move_order(order_id, said.to_station, said.reason, caller.signed(said.by))

    return router
