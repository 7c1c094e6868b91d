"""`GET /v1/stations/found`: what announces itself in the room now, compared with the site file."""

from fastapi import APIRouter

from gateway.discovery import Discovery, Found
from schemas.site import Site


def discovery_router(discovery: Discovery, site: Site) -> APIRouter:
    """The route. It shows; nothing found is ever sent a label."""
    router = APIRouter(tags=["stations"])

    @router.get("/v1/stations/found", summary="Stations and printers that announce themselves")
    async def found() -> list[Found]:
        """By name; `standing` says new, known, or held because its identity is another."""
        return list(discovery.found(site))

    return router
