"""Routes for mislabel cases."""

from fastapi import APIRouter, Query

from gateway.access.caller import Asking
from gateway.cases.desk import CaseDesk
from schemas.base import StationId
from schemas.cases import Affected, Case, CaseKind, CaseNote, CaseState, CaseStory


def routes(desk: CaseDesk) -> APIRouter:
    """Cases: read, explain, close."""
    router = APIRouter(tags=["cases"])

    @router.get("/v1/cases")
    async def cases(
        state: CaseState | None = None,
        kind: CaseKind | None = None,
        limit: int = Query(100, ge=1, le=500),
    ) -> list[Case]:
        """Mislabel cases, newest first."""
        return await desk.listed(state, kind, limit)

    @router.get("/v1/cases/{case_id}")
    async def one_case(case_id: str) -> CaseStory:
        """One case: its chain of entries, and which other bags could be affected."""
        return await desk.story(case_id)

    @router.post("/v1/cases/{case_id}/explain", status_code=204)
    async def explain(case_id: str, said: CaseNote, caller: Asking) -> None:
        """Say what had happened; the case stays until it is closed."""
        await desk.explain(case_id, said.note, caller.signed(said.by), said.kind)

    @router.post("/v1/cases/{case_id}/close", status_code=204)
    async def close(case_id: str, said: CaseNote, caller: Asking) -> None:
        """Say that nothing is left to be done."""
        await desk.close(case_id, said.note, caller.signed(said.by), said.kind)

    @router.get("/v1/stations/{station_id}/affected")
    async def affected(station_id: StationId, seq: int = Query(ge=1, le=2**53)) -> Affected:
        """Bags that an entry of the station, such as a roll change, could have touched."""
        return await desk.touched(station_id, seq)

    return router
