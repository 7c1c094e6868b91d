"""Held and in doubt: each entry asks one plain question and offers its answers."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy.engine import Connection

from gateway.console import stations
from gateway.console.frame import back_to, form_of
from gateway.console.parts import Parts
from gateway.console.stations import StationNow
from gateway.console.who import said
from gateway.dispatch import holds
from gateway.dispatch.station_view import waiting_jobs
from gateway.errors import Invalid, NotAllowedNow
from gateway.ledger.http import summaries
from schemas.decision import Outcome
from schemas.desk import Answer, RowRepairPlan
from schemas.views import OrderSummary, WaitingJob

SAFE = frozenset({Answer.THROWN_AWAY.value, Answer.GIVE_UP.value})
"""Answers after which no bag can leave with a wrong label; any other asks for a reason."""

_MANUAL_SHOWN = 50


@dataclass(frozen=True, slots=True)
class HeldStation:
    """A held station, and the plan that would put its row right."""

    one: StationNow
    plan: RowRepairPlan | None


async def repair_plan(parts: Parts, one: StationNow) -> RowRepairPlan | None:
    """What would put a shifted row right; None where that isn't what holds the station."""
    if one.view.held is None or one.view.held.kind != "shifted":
        return None
    try:
        return await parts.desk.repair_plan(one.view.station)
    except NotAllowedNow:
        return None


def routes(parts: Parts) -> APIRouter:
    """The work list and the answers to its questions."""
    router = APIRouter(include_in_schema=False, route_class=parts.frame.route_class())

    @router.get("/waiting")
    async def waiting(request: Request) -> Response:
        mark = await parts.pulse.mark()
        held, jobs, manual = await parts.store.read(lambda conn: _all(conn, parts))
        return await parts.frame.page(
            request,
            "waiting.html",
            mark=mark,
            held=[HeldStation(one, await repair_plan(parts, one)) for one in held],
            jobs=jobs,
            manual=manual,
            safe=SAFE,
        )

    @router.post("/jobs/{job_id}/settle")
    async def settle(request: Request, job_id: str) -> Response:
        fields = await form_of(request)
        answer = fields.get("answer", "")
        if answer not in set(Answer):
            raise Invalid("Choose one of the answers.")
        reason = parts.frame.texts("waiting.safe_reason") if answer in SAFE else ""
        by = said(request, fields, reason)
        await parts.desk.settle(job_id, Answer(answer), by.reason, by.by)
        return back_to(_back(fields, "/waiting"), "settled", by.by)

    @router.post("/jobs/{job_id}/void")
    async def void(request: Request, job_id: str) -> Response:
        fields = await form_of(request)
        by = said(request, fields)
        await parts.desk.void(job_id, by.reason, by.by)
        return back_to(_back(fields, "/waiting"), "voided", by.by)

    @router.post("/jobs/{job_id}/cancel")
    async def cancel(request: Request, job_id: str) -> Response:
        fields = await form_of(request)
        by = said(request, fields)
        await parts.desk.cancel(job_id, by.reason, by.by)
        return back_to(_back(fields, "/waiting"), "cancelled", by.by)

    @router.post("/jobs/{job_id}/reprint")
    async def reprint(request: Request, job_id: str) -> Response:
        fields = await form_of(request)
        by = said(request, fields)
        await parts.desk.reprint(job_id, by.reason, by.by)
        return back_to(_back(fields, "/waiting"), "reprinted", by.by)

    @router.post("/move")
    async def move(request: Request) -> Response:
        fields = await form_of(request)
        by = said(request, fields)
        order_id = fields.get("order_id", "")
        await parts.desk.move_order(order_id, fields.get("to_station", ""), by.reason, by.by)
        return back_to(_back(fields, "/waiting"), "moved", by.by)

    return router


def _back(fields: dict[str, str], otherwise: str) -> str:
    """Where to go after a form: a page of ours, never another site."""
    back = fields.get("back", "")
    return back if back.startswith("/") and not back.startswith(("//", "/\\")) else otherwise


def _all(
    conn: Connection, parts: Parts
) -> tuple[list[StationNow], list[WaitingJob], list[OrderSummary]]:
    held = [
        stations.now(conn, parts.stations[hold.station], parts.lane_of)
        for hold in holds.open_holds(conn)
        if hold.station in parts.stations
    ]
    manual = summaries(conn, outcome=Outcome.MANUAL, limit=_MANUAL_SHOWN)
    return held, waiting_jobs(conn), manual
