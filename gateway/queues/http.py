"""Ways in and out over HTTP: how they are doing, dead letters, replay."""

from typing import Annotated

from fastapi import APIRouter, Path, Query

from gateway.access.caller import Asking
from gateway.queues import letters
from gateway.queues.ways import Ways
from gateway.store.store import Store
from schemas.queues import DeadLetter, QueuesView, Replayed, ReplayFrom

_LARGEST_ID = 2**53


def reading(ways: Ways, store: Store) -> APIRouter:
    """What changes nothing."""
    router = APIRouter(tags=["queues"])

    @router.get("/v1/queues")
    async def queues() -> QueuesView:
        """Every way in and every target of the gateway's own events."""
        return await ways.view()

    @router.get("/v1/dead-letters")
    async def dead_letters(
        before: Annotated[int | None, Query(ge=1, le=_LARGEST_ID)] = None,
        limit: Annotated[int, Query(ge=1, le=500)] = 50,
    ) -> list[DeadLetter]:
        """What could not be taken or sent, the newest first, without bodies."""
        return await store.read(lambda conn: letters.page(conn, before=before, limit=limit))

    @router.get("/v1/dead-letters/{letter_id}")
    async def dead_letter(letter_id: Annotated[int, Path(ge=1, le=_LARGEST_ID)]) -> DeadLetter:
        """One of them with its body."""
        return await store.read(lambda conn: letters.one(conn, letter_id))

    return router


def acting(ways: Ways) -> APIRouter:
    """What a person does about it."""
    router = APIRouter(tags=["queues"])

    @router.post("/v1/dead-letters/{letter_id}/replay")
    async def replay(
        caller: Asking, letter_id: Annotated[int, Path(ge=1, le=_LARGEST_ID)]
    ) -> Replayed:
        """Try it once more, the same bytes by the same way; refused again, the reason is kept."""
        return await ways.replay(letter_id, caller.name)

    @router.post("/v1/targets/{way}/replay")
    async def send_again(way: str, replay_from: ReplayFrom) -> Replayed:
        """Send a target every event that is kept, from one number on, once more."""
        return await ways.send_again(way, replay_from.first)

    return router
