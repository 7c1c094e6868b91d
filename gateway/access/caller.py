"""Who is asking: what a key, a token, a session or a certificate comes down to."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Annotated

from fastapi import Depends, Request

from gateway.access.roles import EVENTS
from gateway.errors import Forbidden, RateLimited, Unauthenticated
from gateway.intake.envelope import Incoming
from schemas.access import AccessRole

OPEN_DOOR = "open door"
RESERVED_NAMES = frozenset({OPEN_DOOR, "gateway", "open", "anonymous", "system"})
"""What the ledger calls others; no key and no person may be called so."""


class Shown(StrEnum):
    """What was shown at the door."""

    NOTHING = "nothing"
    KEY = "key"
    TOKEN = "token"  # noqa: S105 - a kind of thing, not one
    SESSION = "session"
    CERTIFICATE = "certificate"


@dataclass(frozen=True, slots=True)
class Caller:
    """Somebody who came in. `role` None: the door stands open, so everything is allowed."""

    name: str
    role: AccessRole | None
    stations: frozenset[str] = frozenset()
    """Empty: every station."""
    shown: Shown = Shown.NOTHING
    key_id: str | None = None

    @property
    def counted_as(self) -> str:
        """Under which name their events are counted: a rotated key is another."""
        return self.key_id or f"{self.shown}:{self.name}"

    def check_station(self, station: str) -> None:
        """Raises `Forbidden` for a station that this caller is not for."""
        if self.stations and station not in self.stations:
            mine = ", ".join(sorted(self.stations))
            raise Forbidden(f"{self.name} is for {mine}, not for station {station!r}.")

    def check_event(self, incoming: Incoming) -> None:
        """Raises `Forbidden` for a type or a station of an event that isn't this caller's."""
        kind = incoming.event.type
        if self.role is not None and self.role not in EVENTS[kind]:
            raise Forbidden(f"The role {self.role} hands in no {kind.value}.")
        self.check_station(str(getattr(incoming.data, "station", "")))

    def signed(self, by: str) -> str:
        """The name for the ledger: the caller's own; what the body says may only add to it."""
        if self.role is None:
            return by or self.name
        return self.name if by in ("", self.name) else f"{self.name} ({by})"

    def signing(self, incoming: Incoming) -> Incoming:
        """The event with its operator's name put behind the caller's own."""
        said = getattr(incoming.data, "operator", None)
        if self.role is None or not said:
            return incoming
        data = incoming.data.model_copy(update={"operator": self.signed(str(said))})
        return replace(incoming, data=data)


Spend = Callable[[Caller, int], float]
"""Counts events of a caller; how many seconds it must wait, 0 if it need not."""


def caller_of(request: Request) -> Caller:
    """Who is asking, as the door found out. Raises `Unauthenticated` where no door was passed."""
    found = getattr(request.state, "caller", None)
    if not isinstance(found, Caller):
        raise Unauthenticated("Nobody came through the door.")
    return found


def spend_events(request: Request, count: int) -> None:
    """Count events of the caller. Raises `RateLimited` with the wait."""
    spend: Spend | None = getattr(request.state, "spend", None)
    wait_s = spend(caller_of(request), count) if spend else 0.0
    if wait_s > 0:
        raise RateLimited(
            f"Events of {caller_of(request).name} come faster than the site allows.",
            retry_after_s=wait_s,
        )


Asking = Annotated[Caller, Depends(caller_of)]
"""For a route's parameter."""
