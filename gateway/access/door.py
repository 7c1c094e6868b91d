"""The door: every request is known, allowed and counted here before any route sees it."""

from collections.abc import Callable
from typing import Any

import structlog
from fastapi import FastAPI, Request, Response
from sqlalchemy.engine import Connection
from starlette.types import ASGIApp, Receive, Scope, Send

from gateway import problems
from gateway.access.caller import OPEN_DOOR, Caller, Shown
from gateway.access.origin import from_own_page, says_foreign, to_this_machine
from gateway.access.paths import Matched, Paths
from gateway.access.roles import Bound
from gateway.access.who import Who, to_sign_in
from gateway.cases import rows as case_rows
from gateway.clock import Clock
from gateway.errors import Forbidden, GatewayError, NotFound, RateLimited, WrongMethod
from gateway.limits.body import BodyLimit
from gateway.limits.buckets import Buckets
from gateway.limits.loopback import is_loopback
from gateway.store import jobs, orders
from gateway.store.store import Store
from schemas.site import Site

log = structlog.get_logger(__name__)

TurnedAway = Callable[[Request, GatewayError], Response]
"""Makes the page that tells a person why they were not let in."""

_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


def install(app: FastAPI, site: Site, store: Store, clock: Clock) -> Who:
    """Put the door and the limits in front of the application."""
    who = Who(site, store, clock)
    app.add_middleware(Door, site=site, store=store, clock=clock, who=who)
    app.add_middleware(
        BodyLimit,
        max_bytes=site.http.max_body_bytes,
        within_s=site.http.limits.body_within_s,
    )
    return who


class Door:
    """ASGI middleware. What the permission table doesn't have does not exist behind it."""

    def __init__(self, app: ASGIApp, *, site: Site, store: Store, clock: Clock, who: Who) -> None:
        self._app = app
        self._store = store
        self._who = who
        self._open = site.access.open_door
        self._metrics_open = site.access.metrics_open
        self._paths = Paths()
        limits = site.http.limits
        self._events = Buckets(clock, per_s=limits.events_per_s, at_once=limits.events_at_once)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the request in, or answer it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # nothing here speaks another protocol
            return
        request = Request(scope)
        state = scope.setdefault("state", {})
        try:
            if self._open:
                state["caller"] = _anybody(request)
            else:
                await self._let_in(request, state)
        except GatewayError as refused:
            await self._refuse(refused, request, scope, receive, send)
            return
        await self._app(scope, receive, send)

    async def _let_in(self, request: Request, state: dict[str, Any]) -> None:
        # never request.url.path: a question mark in a name would end it too soon
        path: str = request.scope["path"]
        found = self._paths.find(request.method, path)
        if found is None:
            others = self._paths.methods(path)
            if not any(row.bound is Bound.OPEN for row in others.values()):
                await self._who.caller(request)  # strangers don't learn what is there
            if others:
                raise WrongMethod(f"This address takes {', '.join(others)}.")
            raise NotFound("There is nothing at this address.")
        state["line"] = found.template
        if found.row.bound is Bound.OPEN or (self._metrics_open and found.template == "/metrics"):
            return
        caller = await self._who.caller(request)
        _check_origin(request, caller)
        await self._check(caller, found)
        state |= {
            "caller": caller,
            "actor": caller.name,
            "person": caller.name,
            "spend": self._spend,
        }

    def _spend(self, caller: Caller, count: int) -> float:
        return self._events.take(caller.counted_as, count)

    async def _check(self, caller: Caller, found: Matched) -> None:
        if caller.role not in found.row.roles:
            raise Forbidden(f"The role {caller.role} may not do this.")
        if not caller.stations:
            return
        match found.row.bound:
            case Bound.ROOM:
                mine = ", ".join(sorted(caller.stations))
                raise Forbidden(f"This spans the whole room, and {caller.name} is for {mine} only.")
            case Bound.STATION:
                caller.check_station(found.values["station_id"])
            case Bound.JOB | Bound.ORDER | Bound.PARCEL | Bound.CASE as bound:
                (value,) = found.values.values()
                station = await self._store.read(lambda conn: _station_of(conn, bound, value))
                if station is not None:
                    caller.check_station(station)
            case Bound.OPEN | Bound.FLOOR | Bound.INSIDE:
                pass

    async def _refuse(
        self, error: GatewayError, request: Request, scope: Scope, receive: Receive, send: Send
    ) -> None:
        path: str = scope["path"]
        shown = self._who.shown(request)
        if error.status == 401 and shown:
            try:
                self._who.count_failure(request)
            except RateLimited as too_many:
                error = too_many
        log.info("request.refused", path=path, problem=error.type.value)
        if error.status == 401 and _wants_page(request):
            await to_sign_in(path)(scope, receive, send)
            return
        page: TurnedAway | None = getattr(scope["app"].state, "turned_away", None)
        if page is not None and _wants_page(request):
            response = page(request, error)
        else:
            response = problems.answer(problems.problem_of(error, path), error.retry_after_s)
        if error.status == 405:
            response.headers["Allow"] = ", ".join(self._paths.methods(path))
        if error.status in (401, 403):
            response.headers["WWW-Authenticate"] = _challenge(error.status, shown=shown)
        await response(scope, receive, send)


async def same_line(request: Request) -> None:
    """The route that serves must be the one that the door decided on. Raises `Forbidden`.

    Two routes can fit one path; the framework takes the first that was added, the door the more
    exact. Where they differ, what was allowed is not what would be done.
    """
    line = getattr(request.state, "line", None)
    if line is not None and line != getattr(request.scope.get("route"), "path", line):
        raise Forbidden("This address means two things; nobody may use it.")


def _anybody(request: Request) -> Caller:
    """The open door: this machine only, and no other site's pages by way of its browser."""
    client = request.client
    if client is None or not is_loopback(client.host):
        raise Forbidden("The door stands open for this machine only.")
    if not to_this_machine(request):
        raise Forbidden("Call this machine by its own name: localhost or 127.0.0.1.")
    if request.method not in _SAFE and says_foreign(request):
        raise Forbidden("This was sent by a page of another site.")
    return Caller(OPEN_DOOR, None)


def _wants_page(request: Request) -> bool:
    return (
        request.method in ("GET", "HEAD")
        and "text/html" in request.headers.get("accept", "")
        and not request.scope["path"].startswith("/v1/")
    )


def _challenge(status: int, *, shown: bool) -> str:
    """RFC 6750 section 3: an error is named only to whoever showed something."""
    realm = 'Bearer realm="bagrelay"'
    if status == 403:
        return f'{realm}, error="insufficient_scope"'
    return f'{realm}, error="invalid_token"' if shown else realm


def _check_origin(request: Request, caller: Caller) -> None:
    """A browser sends cookies and certificates by itself: then its page must be ours."""
    if request.method in _SAFE:
        return
    if caller.shown is Shown.SESSION and not from_own_page(request):
        raise Forbidden("This was not sent from a page of this gateway.")
    if caller.shown is Shown.CERTIFICATE and says_foreign(request):
        raise Forbidden("This was sent by a page of another site.")


def _station_of(conn: Connection, bound: Bound, value: str) -> str | None:
    if bound is Bound.JOB:
        job = jobs.find(conn, value)
        return job.station if job else None
    if bound is Bound.CASE:
        case = case_rows.find(conn, value)
        return (case.station or "") if case else None
    order_id = value
    if bound is Bound.PARCEL:
        parcel = orders.find_parcel(conn, value)
        if parcel is None:
            return None
        order_id = parcel.order_id
    order = orders.find(conn, order_id)
    return order.station if order else None
