"""The site file: what is in force, how the file on disk differs, what a check says of it."""

import asyncio
from dataclasses import dataclass
from pathlib import Path

from fastapi import APIRouter, Request, Response

from gateway.console.frame import back_to, form_of
from gateway.console.parts import Parts
from gateway.console.who import said
from gateway.errors import NotAllowedNow
from gateway.site_change import Difference, compare
from gateway.site_checks import cross_checks
from gateway.site_file import Finding, read_file
from schemas.site import Site


@dataclass(frozen=True, slots=True)
class OnDisk:
    """The file on disk against what is in force."""

    path: str
    findings: tuple[Finding, ...]
    differences: tuple[Difference, ...]
    readable: bool

    @property
    def restart(self) -> tuple[str, ...]:
        """Places that differ and that only a restart takes up."""
        return tuple(one.where for one in self.differences if one.needs_restart)


def routes(parts: Parts) -> APIRouter:
    """The page of the site file, and that of the stations found on the network."""
    router = APIRouter(include_in_schema=False, route_class=parts.frame.route_class())

    @router.get("/site")
    async def site(request: Request) -> Response:
        path = parts.site_file
        disk = await asyncio.to_thread(on_disk, path, parts.site) if path else None
        taken = parts.takes_site.last if parts.takes_site else None
        return await parts.frame.page(
            request,
            "site.html",
            site=parts.site,
            disk=disk,
            taken=taken,
            can_take=parts.takes_site is not None,
        )

    @router.post("/site/reload")
    async def reload(request: Request) -> Response:
        """Take up the file on disk; the page that follows waits until the new site is there."""
        fields = await form_of(request)
        by = said(request, fields)
        if parts.takes_site is None:
            raise NotAllowedNow("This gateway was not started from a site file.")
        await parts.takes_site.take(by.by, by.reason)
        return back_to("/site", "reloading", by.by)

    @router.get("/stations-found")
    async def found(request: Request) -> Response:
        seen = None if parts.found is None else list(parts.found())
        return await parts.frame.page(
            request, "found.html", seen=seen, known=list(parts.stations.values())
        )

    return router


def on_disk(path: Path, in_force: Site) -> OnDisk:
    """Read and check the file as `bagrelay check` does, and compare it with what is in force."""
    reading = read_file(path)
    findings = (*reading.findings, *cross_checks(reading))
    differences: tuple[Difference, ...] = ()
    if reading.site is not None:
        differences = tuple(compare(in_force, reading.site))
    return OnDisk(str(path), findings, differences, reading.site is not None)
