"""The composition root: the one place that builds the gateway's parts and joins them."""

import os
import secrets
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import structlog
from fastapi import APIRouter, Depends, FastAPI, Response

from adapters import registry
from adapters.contract import LineSettings, StationAdapter, StationLine
from adapters.errors import Misconfigured
from gateway import discovery_route, fit_route, problems, site_route, size_change
from gateway.access import document, door, sign_in
from gateway.access.who import Who
from gateway.cases import http as cases_http
from gateway.cases import opening
from gateway.cases.desk import CaseDesk
from gateway.clock import Clock, SystemClock
from gateway.console import pages
from gateway.console.parts import Parts, parts_of
from gateway.desk import Desk
from gateway.dispatch import http as stations_http
from gateway.dispatch import reports_route
from gateway.dispatch.dispatcher import Dispatcher
from gateway.dispatch.lane_view import LaneView
from gateway.dispatch.station_state import ensure_row
from gateway.dispatch.supply import first_loads, now_at
from gateway.fit import Room
from gateway.following import Finder, Followed, goes_by_name
from gateway.intake import http as events_http
from gateway.intake.accept import Intake
from gateway.intake.labelling import Labeller
from gateway.intake.pack import Packer
from gateway.intake.serials import Serials
from gateway.intake.signals import Signals
from gateway.intake.wms import WmsClient
from gateway.label import Template, load_template
from gateway.ledger import evidence_http, ledger_http
from gateway.ledger import http as orders_http
from gateway.ledger.evidence_store import prover
from gateway.ledger.sealing import Sealer
from gateway.metrics import Metrics
from gateway.queues import http as queues_http
from gateway.queues.ways import Ways
from gateway.site_change import TakesSite, Taking, digest_of
from gateway.store import jobs
from gateway.store.store import Store
from gateway.store.work import Work
from gateway.upkeep import Upkeep
from schemas.decision import Outcome
from schemas.ledger import EntryKind
from schemas.site import Gs1Settings, Site
from schemas.station import LineToStation, Role, Station

log = structlog.get_logger(__name__)

VERSION = "0.1.0"
MakeAdapter = Callable[[Station], StationLine]


@dataclass(frozen=True, slots=True)
class Gateway:
    """Everything of a running gateway. Built by `build`, started and stopped by the app."""

    site: Site
    store: Store
    dispatcher: Dispatcher
    intake: Intake
    desk: Desk
    metrics: Metrics
    room: Room
    wms: WmsClient | None
    clock: Clock
    sealer: Sealer
    ways: Ways
    upkeep: Upkeep
    finder: Finder

    def lane_of(self, station: str) -> tuple[LaneView, bool]:
        """What a station's lane is doing here, and whether this process sends to it."""
        return self.dispatcher.view(station), self.dispatcher.owns(station)

    async def start(self, taking: Taking | None = None) -> None:
        """Bring the store up, make the stations known, start the lanes.

        `taking` tells whose wish it was where the site takes another's place.
        """
        self.store.start()
        await self.store.write(lambda work: _take_up(work, self.site, taking))
        await self.sealer.start()
        await self.finder.start()
        await self.dispatcher.start()
        await self.ways.start()
        self.upkeep.start()
        log.info("gateway.started", site=self.site.name, stations=len(self.site.station))

    async def stop(self) -> None:
        """Finish what is being sent and let go of everything."""
        await self.upkeep.stop()
        await self.ways.stop()
        await self.dispatcher.stop()
        await self.finder.stop()
        if self.wms is not None:
            await self.wms.close()
        await self.sealer.stop()
        self.store.close()
        log.info("gateway.stopped")


def build(
    site: Site,
    *,
    clock: Clock | None = None,
    environment: Mapping[str, str] | None = None,
    make_adapter: MakeAdapter | None = None,
    metrics: Metrics | None = None,
) -> Gateway:
    """Build a gateway for a site. Opens nothing. Raises `Misconfigured` for a station's options.

    `metrics` go on counting where the site takes another's place.
    """
    clock = clock or SystemClock()
    environment = os.environ if environment is None else environment
    finder = Finder(site)
    make_adapter = make_adapter or (lambda station: adapter_of(station, finder))
    run_id = secrets.token_hex(6)
    metrics = metrics or Metrics()
    store = Store(site.store.url, clock)
    store.follow(opening.follow)
    room = Room.of(site)
    wms = WmsClient(site.wms, environment) if site.wms else None
    serials = Serials(store)
    labeller = Labeller(site, site_templates(site))
    packer = Packer(
        room=room,
        store=store,
        clock=clock,
        metrics=metrics,
        labeller=labeller,
        serials=serials,
        wms=wms,
    )
    intake = Intake(site, store, metrics, packer)
    dispatcher = Dispatcher(
        run_id,
        {station.id: (station, make_adapter(station)) for station in site.station},
        store,
        clock,
        metrics,
        Signals(run_id, intake, store).take,
    )
    desk = Desk(site=site, store=store, packer=packer, labeller=labeller, serials=serials)
    sealer = Sealer(site, store, clock)
    ways = Ways(site, intake, store, clock, environment, run_id)
    upkeep = Upkeep(site, store, clock)
    return Gateway(
        site,
        store,
        dispatcher,
        intake,
        desk,
        metrics,
        room,
        wms,
        clock,
        sealer,
        ways,
        upkeep,
        finder,
    )


def create_app(
    gateway: Gateway, site_file: Path | None = None, takes_site: TakesSite | None = None
) -> FastAPI:
    """The HTTP application of a gateway; starting and stopping it starts and stops the gateway.

    `site_file` is where the site was read from, for the page that compares it; `takes_site` takes
    it up anew.
    """

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        await gateway.start()
        try:
            yield
        finally:
            await gateway.stop()

    app = FastAPI(
        title="bagrelay",
        version=VERSION,
        summary="From a scanned order to a verified bag.",
        lifespan=lifespan,
        docs_url=None,  # the framework's pages load scripts from elsewhere
        redoc_url=None,
        dependencies=[Depends(door.same_line)],
        responses=document.PROBLEMS,
    )
    problems.install(app)
    document.install(app)
    who = door.install(app, gateway.site, gateway.store, gateway.clock)
    parts = _parts(gateway, site_file, takes_site)
    app.state.turned_away = sign_in.turned_away(parts.frame)
    for router in (
        *_machine_routes(gateway),
        site_route.routes(takes_site),
        *_page_routes(gateway, parts, who),
    ):
        app.include_router(router)
    return app


def _machine_routes(gateway: Gateway) -> Iterator[APIRouter]:
    """The API. Order matters where two paths could fit one request: the narrower comes first."""
    site, store, clock = gateway.site, gateway.store, gateway.clock
    stations = {station.id: station for station in site.station}
    yield events_http.routes(gateway.intake)
    yield discovery_route.discovery_router(gateway.finder.found)
    yield reports_route.routes(gateway.dispatcher.report)
    yield stations_http.reading(
        stations,
        store,
        gateway.lane_of,
        lambda conn: orders_http.summaries(conn, outcome=Outcome.MANUAL, limit=100),
    )
    yield stations_http.acting(gateway.desk)
    yield queues_http.reading(gateway.ways, store)
    yield queues_http.acting(gateway.ways)
    yield evidence_http.routes(site, store, clock, prover(site, lambda: gateway.sealer.key, clock))
    yield ledger_http.routes(site, store, gateway.sealer, clock)
    yield orders_http.routes(store)
    yield cases_http.routes(CaseDesk(store))
    yield fit_route.fit_router(
        gateway.room,
        lambda: store.read_now(lambda conn: [now_at(conn, station) for station in site.station]),
        clock,
    )
    yield size_change.routes(site, gateway.room, store, clock)
    yield _probes(gateway)


def _parts(gateway: Gateway, site_file: Path | None, takes_site: TakesSite | None) -> Parts:
    return parts_of(
        site=gateway.site,
        site_file=site_file,
        takes_site=takes_site,
        sealer=gateway.sealer,
        store=gateway.store,
        desk=gateway.desk,
        intake=gateway.intake,
        lane_of=gateway.lane_of,
        clock=gateway.clock,
        found=gateway.finder.found if gateway.site.discovery.interfaces else None,
    )


def _page_routes(gateway: Gateway, parts: Parts, who: Who) -> Iterator[APIRouter]:
    """The pages for people, and signing in to them."""
    yield from pages.routers(parts)
    access = gateway.site.access
    yield sign_in.routes(
        parts.frame,
        gateway.store,
        who,
        lasts=timedelta(hours=access.session_hours),
        open_door=access.open_door,
    )


def _probes(gateway: Gateway) -> APIRouter:
    router = APIRouter(tags=["probes"])

    @router.get("/healthz")
    async def healthz() -> dict[str, str]:
        """The process answers."""
        return {"status": "ok"}

    @router.get("/readyz")
    async def readyz() -> dict[str, str]:
        """The store takes writes; 503 otherwise."""
        await gateway.store.write(lambda work: work.now)
        return {"status": "ready"}

    @router.get("/metrics", response_class=Response)
    async def metrics() -> Response:
        """Figures in the Prometheus text format."""
        names = [station.id for station in gateway.site.station]
        lengths = await gateway.store.read(
            lambda conn: {name: jobs.lane_length(conn, name) for name in names}
        )
        for name, length in lengths.items():
            gateway.metrics.lane(name, length)
        gateway.metrics.queues(await gateway.ways.view(), gateway.clock.now())
        return Response(gateway.metrics.text(), media_type="text/plain; version=0.0.4")

    return router


def adapter_of(station: Station, finder: Finder | None = None) -> StationLine:
    """The adapter of a station, composed where it has several lines. Raises `Misconfigured`."""
    if goes_by_name(station):
        return Followed(station, finder.found if finder else tuple)
    if len(station.lines) == 1:
        return _line(station, station.lines[0])
    parts: dict[Role, StationAdapter] = {line.role: _line(station, line) for line in station.lines}
    from adapters.composed import Composed

    return Composed(parts)


def _line(station: Station, line: LineToStation) -> StationAdapter:
    try:
        return registry.build(line.kind, LineSettings(station.id, line.options))
    except Misconfigured as wrong:
        raise Misconfigured(f"station {station.id}: {wrong.what}", do=wrong.do) from wrong


def site_templates(site: Site) -> dict[str, Template]:
    """The site's own label templates, by file name without its ending. Raises `LabelError`."""
    if site.templates_dir is None:
        return {}
    return {
        path.stem: load_template(path.read_text(encoding="utf-8"), path.stem)
        for path in sorted(site.templates_dir.glob("*.toml"))
    }


def _take_up(work: Work, site: Site, taking: Taking | None) -> None:
    for station in site.station:
        ensure_row(work, station.id)
        first_loads(work, station)
    digest = digest_of(site)
    if taking is None:
        work.record(EntryKind.GATEWAY_STARTED, version=VERSION)
        work.record(EntryKind.SITE_LOADED, name=site.name, sha256=digest)
        return
    work.record(
        EntryKind.SITE_LOADED,
        actor=taking.by,
        name=site.name,
        sha256=digest,
        before=taking.before,
        reason=taking.reason,
    )


def openapi() -> dict[str, Any]:
    """The OpenAPI document of the service; needs no site, no store and no station."""
    site = Site(name="openapi", gs1=Gs1Settings(company_prefix="9521234"), station=())
    return create_app(build(site, environment={})).openapi()
