"""The site file: what is in force, how the file on disk differs, what a check says of it."""

import asyncio
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from fastapi import APIRouter, Request, Response

from gateway.console.parts import Parts
from gateway.site_checks import cross_checks
from gateway.site_file import Finding, looks_secret, read_file
from schemas.site import Site

_NOT_SHOWN = "(not shown)"
_CREDENTIALS = re.compile(r"(://)[^/@\s]*@")
"""User and password in an address."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One value that is not the same; empty where one side has none."""

    where: str
    in_force: str
    on_disk: str


@dataclass(frozen=True, slots=True)
class OnDisk:
    """The file on disk against what is in force."""

    path: str
    findings: tuple[Finding, ...]
    differences: tuple[Difference, ...]
    readable: bool


def routes(parts: Parts) -> APIRouter:
    """The page of the site file, and that of the stations found on the network."""
    router = APIRouter(include_in_schema=False, route_class=parts.frame.route_class())

    @router.get("/site")
    async def site(request: Request) -> Response:
        path = parts.site_file
        disk = await asyncio.to_thread(on_disk, path, parts.site) if path else None
        return await parts.frame.page(request, "site.html", site=parts.site, disk=disk)

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


def compare(in_force: Site, other: Site) -> Iterator[Difference]:
    """Every value that differs, by its place in the file. Secrets are never told."""
    before = dict(_flat(in_force.model_dump(mode="json"), ""))
    after = dict(_flat(other.model_dump(mode="json"), ""))
    for where in [*before, *(name for name in after if name not in before)]:
        was, would_be = before.get(where, ""), after.get(where, "")
        if was != would_be:
            if looks_secret(where.rpartition(".")[2]):
                was, would_be = _NOT_SHOWN, _NOT_SHOWN
            yield Difference(where, _CREDENTIALS.sub(r"\1", was), _CREDENTIALS.sub(r"\1", would_be))


def _flat(value: object, where: str) -> Iterator[tuple[str, str]]:
    """Leaves by dotted place; members of lists by id or name, so that a new order is no change."""
    if isinstance(value, Mapping):
        for name, inner in value.items():
            yield from _flat(inner, f"{where}.{name}" if where else str(name))
    elif isinstance(value, Sequence) and not isinstance(value, str):
        if not value:
            return
        if all(not isinstance(one, (Mapping, list)) for one in value):
            yield where, ", ".join(map(str, value))
            return
        for number, inner in enumerate(value):
            yield from _flat(inner, f"{where}[{_name(inner, number)}]")
    elif value is not None:
        yield where, str(value)


def _name(member: object, number: int) -> str:
    if isinstance(member, Mapping):
        for key in ("id", "name", "slot", "role"):
            if key in member:
                return str(member[key])
    return str(number + 1)
