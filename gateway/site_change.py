"""What another site file would change: value by value, what a restart is for, what stands against.

A running gateway takes up a file whole or not at all.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Protocol

from sqlalchemy.engine import Connection

from gateway.site_file import looks_secret
from gateway.store import jobs
from schemas.site import Site

NEEDS_RESTART = ("store.url", "http.host", "http.port", "http.limits", "tls")
"""Places in the file that belong to the listener or the store, which outlive a change."""

_NOT_SHOWN = "(not shown)"
_CREDENTIALS = re.compile(r"(://)[^/@\s]*@")
"""User and password in an address."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One value that is not the same; empty where one side has none."""

    where: str
    in_force: str
    on_disk: str

    @property
    def needs_restart(self) -> bool:
        """Whether only a restart can take it up."""
        return any(self.where == one or self.where.startswith(f"{one}.") for one in NEEDS_RESTART)


@dataclass(frozen=True, slots=True)
class Taking:
    """Who has a site file taken up while the gateway runs, why, and in whose place."""

    by: str
    reason: str
    before: str
    """Digest of the site that was in force."""


@dataclass(frozen=True, slots=True)
class Taken:
    """How it went."""

    at: datetime
    by: str
    ok: bool
    digest: str
    text: str = ""
    """What failed; empty where nothing did."""


class TakesSite(Protocol):
    """Takes up the site file from disk."""

    @property
    def last(self) -> Taken | None:
        """How the last change went; None where there was none since the start."""
        ...

    async def take(self, by: str, reason: str) -> str:
        """Begin to take the file up; its digest. Raises `NotAllowedNow` with all that is against.

        What was asked before is answered first; what is asked meanwhile waits for the new site.
        """
        ...


def digest_of(site: Site) -> str:
    """SHA-256 of a site's content, hex: the name by which the ledger knows it."""
    return sha256(site.model_dump_json().encode()).hexdigest()


def against(conn: Connection, in_force: Site, other: Site) -> Iterator[str]:
    """Why the other site can't be taken up now, in sentences."""
    for one in compare(in_force, other):
        if one.needs_restart:
            yield f"{one.where} differs, and needs a restart of the gateway."
    left = {station.id for station in other.station}
    for station in in_force.station:
        if station.id in left:
            continue
        waiting = jobs.lane_length(conn, station.id)
        row = jobs.row_of(conn, station.id)
        if waiting or row or jobs.open_job(conn, station.id) is not None:
            yield (
                f"Station {station.id} is no longer in the file, but has labels that wait or bags"
                " that are not scanned yet. Let it finish, or move or void them, and load again."
            )


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
