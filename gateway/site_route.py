"""The route that has the site file taken up anew."""

from fastapi import APIRouter

from gateway.access.caller import Asking
from gateway.errors import NotAllowedNow
from gateway.site_change import TakesSite
from schemas.base import Record, Sha256
from schemas.desk import Reasoned


class SiteTaken(Record):
    """The site that is being taken up."""

    sha256: Sha256
    """SHA-256 of its content, as the ledger's entry names it."""


def routes(takes_site: TakesSite | None) -> APIRouter:
    """One route. Each gateway of a site takes up its own file."""
    router = APIRouter(tags=["site"])

    @router.post("/v1/site/reload", status_code=202)
    async def reload(said: Reasoned, caller: Asking) -> SiteTaken:
        """Check the site file on disk and take it up: all of it, or nothing and 409.

        Requests that come meanwhile wait. Lanes finish the label that they send; lines to stations
        are opened anew.
        """
        if takes_site is None:
            raise NotAllowedNow("This gateway was not started from a site file.")
        return SiteTaken(sha256=await takes_site.take(caller.signed(said.by), said.reason))

    return router
