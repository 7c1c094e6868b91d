"""POST /v1/stations/{id}/reports: what a station reports over HTTP, signed with its own secret."""

from collections.abc import Awaitable, Callable
from typing import Annotated

from fastapi import APIRouter, Header, Request

from adapters.errors import Refused
from gateway.errors import Unauthenticated

Report = Callable[[str, str, bytes], Awaitable[None]]


def routes(report: Report) -> APIRouter:
    """The route; `report` hands a station's name, signature and body on."""
    router = APIRouter(tags=["stations"])

    @router.post("/v1/stations/{station_id}/reports", status_code=202)
    async def take(
        station_id: str,
        request: Request,
        bagrelay_signature: Annotated[str, Header(description="HMAC of the body, with its time")],
    ) -> None:
        """Take a signed report of a station; one that is played again does nothing.

        202 comes only once it is kept. On 503 the station sends the same report again.
        """
        try:
            await report(station_id, bagrelay_signature, await request.body())
        except Refused as refused:
            raise Unauthenticated(f"The report is not taken: {refused.what}.") from refused

    return router
