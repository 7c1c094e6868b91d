"""One search box: an order, a tracking code, an SSCC, an article, a scan code, a bag or a time."""

import re
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from urllib.parse import quote
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.engine import Connection

from gateway.cases import rows as case_rows
from gateway.clock import instant_text
from gateway.console.parts import Parts
from gateway.dispatch.verify import clean_code
from gateway.store import jobs, orders
from gateway.store.jobs import JobRow
from gateway.store.tables import entries, order_articles
from gateway.store.tables import jobs as jobs_table
from gateway.store.tables import orders as orders_table
from gateway.store.tables import parcels as parcels_table
from schemas.cases import Found, FoundKind, SearchAnswer

_MOST = 50
_NEAR = timedelta(minutes=5)
_LATEST_PARCELS = 5000
_SSCC = re.compile(r"^(?:\(?00\)?)?(\d{18})$")
_TIME = re.compile(r"^(?:(\d{4}-\d{2}-\d{2})[ T])?(\d{1,2}:\d{2}(?::\d{2})?)$")

Step = tuple[str, Callable[[], list[Found]]]


class Search:
    """Finds what a query means. The most exact reading that finds something wins."""

    def __init__(self, stations: Iterable[str], bags: Iterable[str], zone: ZoneInfo) -> None:
        self._stations = frozenset(stations)
        self._bags = frozenset(bags)
        self._zone = zone

    def answer(self, conn: Connection, query: str, now: datetime) -> SearchAnswer:
        """What is found, and as what the query was understood."""
        text = query.strip()
        if not text:
            return SearchAnswer(query=query, understood_as="nothing", found=())
        for understood, find in self._readings(conn, text, now):
            found = find()
            if found:
                return SearchAnswer(query=query, understood_as=understood, found=tuple(found))
        return SearchAnswer(query=query, understood_as="nothing", found=())

    def _readings(self, conn: Connection, text: str, now: datetime) -> list[Step]:
        return [
            ("order", lambda: _order(conn, text)),
            ("case", lambda: _case(conn, text)),
            ("station", lambda: self._station(text)),
            ("parcel", lambda: _parcel(conn, text)),
            ("sscc", lambda: _sscc(conn, text)),
            ("code", lambda: _code(conn, text)),
            ("scan_code", lambda: _scan_code(conn, text)),
            ("article", lambda: _article(conn, text)),
            ("bag", lambda: self._bag(conn, text)),
            ("time", lambda: self._time(conn, text, now)),
            ("beginning", lambda: _beginning(conn, text)),
        ]

    def _station(self, text: str) -> list[Found]:
        if text not in self._stations:
            return []
        return [Found(kind=FoundKind.STATION, id=text, title=text, text="")]

    def _bag(self, conn: Connection, text: str) -> list[Found]:
        """The orders that went into a kind of bag last."""
        if text not in self._bags:
            return []
        latest = (
            sa.select(jobs_table.c.order_id, jobs_table.c.parcel_id, jobs_table.c.changed)
            .order_by(jobs_table.c.changed.desc())
            .limit(_LATEST_PARCELS)
            .subquery()
        )
        found = conn.execute(
            sa.select(latest.c.order_id, latest.c.parcel_id, latest.c.changed)
            .join(parcels_table, parcels_table.c.parcel_id == latest.c.parcel_id)
            .where(parcels_table.c.parcel.contains(f'"bag":{{"id":"{text}"', autoescape=True))
            .order_by(latest.c.changed.desc())
            .limit(_MOST)
        )
        return _by_order((row.order_id, f"parcel {row.parcel_id}", row.changed) for row in found)

    def _time(self, conn: Connection, text: str, now: datetime) -> list[Found]:
        """What happened within five minutes of a time at the site."""
        match = _TIME.match(text)
        if match is None:
            return []
        day = match[1] or f"{now.astimezone(self._zone):%Y-%m-%d}"
        clock = match[2] if len(match[2]) >= 5 else f"0{match[2]}"
        clock = clock if clock.index(":") == 2 else f"0{clock}"
        try:
            at = datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=self._zone)
        except ValueError:
            return []
        found = conn.execute(
            sa.select(entries.c.order_id, entries.c.station, entries.c.kind, entries.c.time)
            .where(
                entries.c.time >= instant_text(at - _NEAR),
                entries.c.time <= instant_text(at + _NEAR),
                entries.c.order_id.is_not(None),
            )
            .order_by(entries.c.seq)
            .limit(2000)
        )
        return _by_order(
            (row.order_id, f"{row.kind} at {row.station}", datetime.fromisoformat(row.time))
            for row in found
        )


def _by_order(told: Iterable[tuple[str, str, datetime]]) -> list[Found]:
    """One answer an order, the first that was told of it."""
    first: dict[str, Found] = {}
    for order_id, text, at in told:
        if len(first) == _MOST:
            break
        first.setdefault(
            order_id, Found(kind=FoundKind.ORDER, id=order_id, title=order_id, text=text, at=at)
        )
    return list(first.values())


def _order(conn: Connection, text: str) -> list[Found]:
    row = orders.find(conn, text)
    if row is None:
        return []
    return _by_order([(row.order_id, row.outcome.value, row.received)])


def _scan_code(conn: Connection, text: str) -> list[Found]:
    found = conn.execute(
        sa.select(orders_table.c.order_id, orders_table.c.received)
        .where(orders_table.c.scan_code == text)
        .order_by(orders_table.c.received.desc())
        .limit(_MOST)
    )
    return _by_order((row.order_id, "", row.received) for row in found)


def _beginning(conn: Connection, text: str) -> list[Found]:
    """Orders whose id begins so; short beginnings say too little."""
    if len(text) < 3:
        return []
    found = conn.execute(
        sa.select(orders_table.c.order_id, orders_table.c.received)
        .where(orders_table.c.order_id >= text, orders_table.c.order_id < text + "\uffff")
        .order_by(orders_table.c.order_id)
        .limit(_MOST)
    )
    return _by_order((row.order_id, "", row.received) for row in found)


def _case(conn: Connection, text: str) -> list[Found]:
    case = case_rows.find(conn, text.upper())
    if case is None:
        return []
    return [
        Found(
            kind=FoundKind.CASE, id=case.case_id, title=case.case_id, text=case.text, at=case.opened
        )
    ]


def _parcel(conn: Connection, text: str) -> list[Found]:
    row = orders.find_parcel(conn, text)
    if row is not None:
        return _by_order([(row.order_id, f"parcel {row.number} of {row.of}", row.created)])
    job = jobs.find(conn, text)
    return _jobs([job] if job else [])


def _sscc(conn: Connection, text: str) -> list[Found]:
    match = _SSCC.match(text.replace(" ", ""))
    if match is None:
        return []
    found = conn.execute(
        sa.select(jobs_table.c.order_id, jobs_table.c.job_id, jobs_table.c.changed)
        .where(jobs_table.c.sscc == match[1])
        .limit(_MOST)
    )
    return _by_order((row.order_id, f"job {row.job_id}", row.changed) for row in found)


def _code(conn: Connection, text: str) -> list[Found]:
    """Labels that carry the code: as scanned, or as it is printed under the bars."""
    bare = clean_code(text)
    found = jobs.carrying(conn, bare)
    if not found:
        found = jobs.carrying(conn, re.sub(r"[() ]", "", bare))
    return _jobs(found)


def _jobs(found: Iterable[JobRow]) -> list[Found]:
    return _by_order(
        (job.order_id, f"job {job.job_id}, {job.state.value}, at {job.station}", job.changed)
        for job in found
    )


def _article(conn: Connection, text: str) -> list[Found]:
    found = conn.execute(
        sa.select(orders_table.c.order_id, orders_table.c.received)
        .join(order_articles, order_articles.c.order_id == orders_table.c.order_id)
        .where(order_articles.c.sku == text)
        .order_by(orders_table.c.received.desc())
        .limit(_MOST)
    )
    return _by_order((row.order_id, "", row.received) for row in found)


_PAGES = {
    FoundKind.ORDER: "/orders/",
    FoundKind.CASE: "/mislabels/",
    FoundKind.STATION: "/floor/",
}


def routes(parts: Parts) -> APIRouter:
    """The search as a page and as JSON."""
    router = APIRouter(tags=["search"])
    search = Search(parts.stations, (bag.id for bag in parts.site.bag), parts.frame.zone)

    @router.get("/v1/search")
    async def answer(q: str = Query(max_length=400)) -> SearchAnswer:
        """Find by order, tracking code, SSCC, article, scan code, bag or time."""
        now = parts.clock.now()
        return await parts.store.read(lambda conn: search.answer(conn, q, now))

    pages = APIRouter(include_in_schema=False, route_class=parts.frame.route_class())

    @pages.get("/search")
    async def page(request: Request, q: str = "") -> Response:
        now = parts.clock.now()
        found = await parts.store.read(lambda conn: search.answer(conn, q[:400], now))
        if len(found.found) == 1:
            only = found.found[0]
            return RedirectResponse(_PAGES[only.kind] + quote(only.id), status_code=303)
        return await parts.frame.page(request, "search.html", answer=found, pages=_PAGES)

    router.include_router(pages)
    return router
