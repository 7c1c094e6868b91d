"""`GET /v1/stations/found`: what announces itself in the room now, compared with the site file."""

from collections.abc import Callable, Sequence

from fastapi import APIRouter

from gateway.discovery import Found


def discovery_router(heard: Callable[[], Sequence[Found]]) -> APIRouter:
    """The route. It shows; nothing found is ever sent a label."""
    router = APIRouter(tags=["stations"])

    @router.get("/v1/stations/found", summary="Stations and printers that announce themselves")
    async def found() -> list[Found]:
        """By name; `standing` says new, known, or held because its identity is another."""
        return list(heard())

    return router
