"""The floor: every station now, one station in full, and what is done at a station."""

from collections.abc import AsyncIterator
from secrets import token_hex

import orjson
from fastapi import APIRouter, Query, Request, Response
from sqlalchemy.engine import Connection
from sse_starlette import EventSourceResponse, ServerSentEvent

from gateway.console import stations
from gateway.console.frame import HEADERS, back_to, form_of
from gateway.console.parts import Parts
from gateway.console.stations import StationNow, Tone
from gateway.console.waiting import repair_plan
from gateway.console.who import said
from gateway.console.words import told
from gateway.errors import Invalid, NotFound
from gateway.intake.envelope import read_structured
from gateway.ledger import entries as ledger_entries
from schemas.desk import RowRepair
from schemas.station import Station

_LATEST = 25


def routes(parts: Parts) -> APIRouter:
    """Pages of the floor."""
    router = APIRouter(include_in_schema=False, route_class=parts.frame.route_class())

    @router.get("/")
    async def home() -> Response:
        """Where a browser lands."""
        return back_to("/floor", "")

    @router.get("/floor")
    async def floor(request: Request, show: str = "all") -> Response:
        mark = await parts.pulse.mark()
        seen = await parts.store.read(
            lambda conn: stations.all_now(conn, list(parts.stations.values()), parts.lane_of)
        )
        parts.pulse.remember(seen)
        wanted = [one for one in seen if show != "attention" or one.tone in _WANT_A_PERSON]
        return await parts.frame.page(
            request, "floor.html", seen=wanted, summary=parts.pulse.summary(), mark=mark, show=show
        )

    @router.get("/floor/live")
    async def live(
        request: Request, since: str = "", station: str = "", whole: bool = False
    ) -> Response:
        """What changes: cards to put in place, or only that a station or the room has changed."""
        mark = request.headers.get("last-event-id") or since
        return EventSourceResponse(
            _events(parts, mark, station, whole=whole),
            headers={**HEADERS, "X-Accel-Buffering": "no"},
            ping=3600,
        )

    @router.get("/floor/{station_id}")
    async def one(request: Request, station_id: str) -> Response:
        station = _known(parts, station_id)
        mark = await parts.pulse.mark()
        values = await _station_page(parts, station)
        return await parts.frame.page(request, "station.html", values, mark=mark)

    @router.get("/floor/{station_id}/now")
    async def just_now(request: Request, station_id: str) -> Response:
        """The middle of the page alone, for the live page."""
        station = _known(parts, station_id)
        values = await _station_page(parts, station)
        return await parts.frame.page(request, "station_now.html", values)

    @router.get("/floor/{station_id}/affected")
    async def affected(
        request: Request, station_id: str, seq: int = Query(ge=1, le=2**53)
    ) -> Response:
        """The bags that a roll change could have touched."""
        station = _known(parts, station_id)
        found = await parts.cases.touched(station.id, seq)
        return await parts.frame.page(
            request, "affected_page.html", affected=found, station=station, seq=seq
        )

    return router


_WANT_A_PERSON = frozenset({Tone.HELD, Tone.DOUBT, Tone.STANDS})


def _known(parts: Parts, station_id: str) -> Station:
    station = parts.stations.get(station_id)
    if station is None:
        raise NotFound(f"There is no station {station_id!r}.")
    return station


async def _station_page(parts: Parts, station: Station) -> dict[str, object]:
    seen, values = await parts.store.read(lambda conn: _station_read(conn, parts, station))
    return {**values, "plan": await repair_plan(parts, seen)}


def _station_read(
    conn: Connection, parts: Parts, station: Station
) -> tuple[StationNow, dict[str, object]]:
    seen = stations.now(conn, station, parts.lane_of)
    head = seen.view.load_now
    latest = ledger_entries.latest_of_station(conn, station.id, limit=_LATEST)
    return seen, {
        "one": seen,
        "goods": stations.goods_of(conn, head.parcel_id) if head else [],
        "lane": stations.lane_of_station(conn, station.id),
        "latest": [(entry, told(entry)) for entry in latest],
        "bags_of_site": [bag.id for bag in parts.site.bag],
    }


async def _events(
    parts: Parts, since: str, only: str, *, whole: bool
) -> AsyncIterator[ServerSentEvent]:
    async for change in parts.pulse.watch(since):
        if change is None:
            yield ServerSentEvent(event="beat", data="-")
            continue
        seen = [one for one in change.stations if not only or one.view.station == only]
        if seen and (only or whole):
            yield ServerSentEvent(event="changed", data="-", id=change.mark)
        elif seen:
            counts = await parts.counts()
            html = parts.frame.part(
                "floor_changes.html", seen=seen, counts=counts, summary=parts.pulse.summary()
            )
            yield ServerSentEvent(data=html, id=change.mark)
        else:
            yield ServerSentEvent(event="beat", data="-", id=change.mark)


def acting(parts: Parts) -> APIRouter:
    """What is done at a station: hold, release, repair, pull a bag, set a supply."""
    router = APIRouter(include_in_schema=False, route_class=parts.frame.route_class())

    @router.post("/floor/{station_id}/hold")
    async def hold(request: Request, station_id: str) -> Response:
        fields = await form_of(request)
        by = said(request, fields)
        await parts.desk.hold(station_id, by.reason, by.by)
        return back_to(f"/floor/{station_id}", "held", by.by)

    @router.post("/floor/{station_id}/release")
    async def release(request: Request, station_id: str) -> Response:
        fields = await form_of(request)
        by = said(request, fields)
        await parts.desk.release(station_id, by.reason, by.by)
        return back_to(f"/floor/{station_id}", "released", by.by)

    @router.post("/floor/{station_id}/repair")
    async def repair(request: Request, station_id: str) -> Response:
        fields = await form_of(request)
        by = said(request, fields)
        void = tuple(name for name in fields.get("void", "").split(",") if name)
        await parts.desk.repair(station_id, RowRepair(void=void, reason=by.reason, by=by.by))
        return back_to(f"/floor/{station_id}", "repaired", by.by)

    @router.post("/floor/{station_id}/pull")
    async def pull(request: Request, station_id: str) -> Response:
        """The bag at the loading position is out of the row and destroyed: print it again."""
        fields = await form_of(request)
        by = said(request, fields)
        job_id = fields.get("job_id", "")
        await _pull(parts, station_id, fields, by.reason, by.by)
        await parts.desk.reprint(job_id, by.reason, by.by)
        return back_to(f"/floor/{station_id}", "pulled", by.by)

    @router.post("/floor/{station_id}/supply")
    async def supply(request: Request, station_id: str) -> Response:
        fields = await form_of(request)
        by = said(request, fields, parts.frame.texts("station.supply.reason"))
        data: dict[str, object] = {
            "station": station_id,
            "slot": _whole(fields.get("slot", ""), "slot"),
            "bag": fields.get("bag", ""),
            "operator": by.by,
        }
        amount = _whole(fields.get("left", ""), "amount left")
        data["metres_left" if fields.get("unit") == "m" else "pieces_left"] = amount
        await _event(parts, fields, "bagrelay.supply.changed.v1", data, by.by)
        return back_to(f"/floor/{station_id}", "supplied", by.by)

    return router


async def _pull(
    parts: Parts, station_id: str, fields: dict[str, str], reason: str, by: str
) -> None:
    view = await parts.store.read(
        lambda conn: stations.now(conn, _known(parts, station_id), parts.lane_of).view
    )
    bag = next((bag for bag in view.row if bag.job_id == fields.get("job_id")), None)
    if bag is None:
        raise Invalid("That bag is no longer in the row. Look again.")
    await _event(
        parts,
        fields,
        "bagrelay.bag.pulled.v1",
        {"station": station_id, "position": bag.position, "reason": reason, "operator": by},
        by,
    )


async def _event(
    parts: Parts, fields: dict[str, str], kind: str, data: dict[str, object], by: str
) -> None:
    """Hand in an event; the same form sent twice is one event."""
    incoming = read_structured(
        orjson.dumps(
            {
                "specversion": "1.0",
                "id": fields.get("once") or token_hex(8),
                "source": f"/console/{data['station']}",
                "type": kind,
                "data": data,
            }
        )
    )
    await parts.intake.accept(incoming, actor=by)


def _whole(text: str, what: str) -> int:
    if not text.isdigit():
        raise Invalid(f"The {what} is a whole number.")
    return int(text)
