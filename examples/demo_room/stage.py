"""The demo's room: four simulated stations on real loopback sockets, a WMS, and the gateway."""

import asyncio
import sys
import tempfile
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "examples")]

import uvicorn  # noqa: E402
from wms import FakeWms  # noqa: E402

from adapters.simulator.cycle import Bag  # noqa: E402
from adapters.simulator.labels import Label  # noqa: E402
from adapters.simulator.serve import SimulatedStation  # noqa: E402
from gateway.app import Gateway, build, create_app  # noqa: E402
from gateway.site_file import load  # noqa: E402
from schemas.order import Order  # noqa: E402
from schemas.site import Site  # noqa: E402

SITE_FILE = ROOT / "examples" / "room.toml"


class WatchedStation(SimulatedStation):
    """A simulated station that remembers when each whole label reached it."""

    def __init__(self, name: str, *, bags_ahead: int) -> None:
        super().__init__(name, bags_ahead=bags_ahead, auto_advance=False, print_s=0.002)
        self.arrivals: dict[str, float] = {}

    def label_came(self, label: Label) -> None:
        """Note the time."""
        for code in label.codes:
            self.arrivals[code] = time.monotonic()

    def bag_to_load(self) -> Bag | None:
        """The printed bag at the loading position."""
        return self.row()[0]


@dataclass(slots=True)
class Room:
    """Everything that runs while the demo runs."""

    site: Site
    gateway: Gateway
    url: str
    stations: dict[str, WatchedStation]
    wms: FakeWms
    scan_started: dict[str, float] = field(default_factory=dict)
    """When the scan of an order began, by order id, on the monotonic clock."""


@asynccontextmanager
async def running(orders: list[Order], *, port: int, folder: Path | None) -> AsyncIterator[Room]:
    """Start it all, and stop it all."""
    with tempfile.TemporaryDirectory(prefix="bagrelay-demo-") as temporary:
        keep = folder or Path(temporary)
        wms = FakeWms(orders)
        wms.start()
        site, stations = await _site(keep, wms.order_url, port)
        gateway = build(site)
        server = uvicorn.Server(
            uvicorn.Config(
                create_app(gateway),
                host=site.http.host,
                port=port,
                log_config=None,
                access_log=False,
                lifespan="on",
            )
        )
        serving = asyncio.create_task(server.serve(), name="gateway http")
        try:
            url = await _url(server, serving)
            yield Room(site, gateway, url, stations, wms)
        finally:
            server.should_exit = True
            await serving
            for station in stations.values():
                await station.stop()
            wms.stop()


async def _site(folder: Path, order_url: str, port: int) -> tuple[Site, dict[str, WatchedStation]]:
    """The example site file, with the addresses that are free here and now."""
    site = load(SITE_FILE)
    stations: dict[str, WatchedStation] = {}
    placed = []
    for station in site.station:
        machine = WatchedStation(station.id, bags_ahead=station.bags_ahead)
        await machine.start()
        line = station.lines[0]
        host, free = (
            machine.station_address if line.kind == "simulated" else machine.printer_address
        )
        options = {**line.options, "host": host, "port": free}
        placed.append(
            station.model_copy(update={"lines": (line.model_copy(update={"options": options}),)})
        )
        stations[station.id] = machine
    assert site.wms is not None
    changes = {
        "station": tuple(placed),
        "store": site.store.model_copy(update={"url": f"sqlite:///{folder / 'demo.db'}"}),
        "http": site.http.model_copy(update={"port": port}),
        "wms": site.wms.model_copy(update={"url": order_url}),
    }
    return site.model_copy(update=changes), stations


async def _url(server: uvicorn.Server, serving: "asyncio.Task[None]") -> str:
    while not server.started:
        if serving.done():
            await serving
            raise RuntimeError("the gateway did not start; its log says why")
        await asyncio.sleep(0.01)
    host, port = server.servers[0].sockets[0].getsockname()[:2]
    return f"http://{host}:{port}"
