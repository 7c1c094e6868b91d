"""A live room for the browser: simulated stations on real sockets, and the gateway in front."""

import asyncio
import itertools
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import uvicorn

from adapters.simulator.serve import SimulatedStation
from gateway.access import keys
from gateway.app import Gateway, build, create_app
from gateway.site_file import load
from schemas.access import AccessRole
from schemas.order import Order
from schemas.site import Site

EXAMPLES = Path(__file__).parents[2] / "examples"
SITE_FILE = EXAMPLES / "room.toml"
PATIENCE_S = 20.0


@dataclass
class Room:
    """What a test needs of the room."""

    url: str
    gateway: Gateway
    machines: dict[str, SimulatedStation]
    api: httpx.AsyncClient
    orders: list[Order]
    numbers: "itertools.count[int]" = field(default_factory=lambda: itertools.count(1))

    async def send(self, kind: str, **data: object) -> dict[str, Any]:
        """Post an event that the gateway must accept; its answer."""
        answer = await self.api.post(
            "/v1/events",
            json={
                "specversion": "1.0",
                "id": f"t-{next(self.numbers)}",
                "source": "/test/screen",
                "type": f"bagrelay.{kind}.v1",
                "data": data,
            },
            headers={"content-type": "application/cloudevents+json"},
        )
        assert 202 == answer.status_code, answer.text
        accepted: dict[str, Any] = answer.json()
        return accepted

    async def key(self, name: str, role: AccessRole, *stations: str) -> str:
        """A new key for whoever signs in."""
        _, text = await self.gateway.store.write(
            lambda work: keys.new(
                work, name=name, role=role, stations=stations, expires=None, by="test"
            )
        )
        return text

    async def scan(self, station: str, order: Order) -> dict[str, Any]:
        """An order is scanned at a station."""
        return await self.send(
            "order.scanned",
            station=station,
            code=order.scan_code or order.order_id,
            order=order.model_dump(mode="json", exclude_defaults=True),
        )

    async def label(self, station: str, code: str | None) -> dict[str, Any]:
        """The label of a finished bag is scanned; what the scan proved."""
        answer = await self.send("label.scanned", station=station, code=code)
        scan: dict[str, Any] = answer["scan"]
        return scan

    async def view(self, station: str) -> dict[str, Any]:
        """A station now."""
        answer = await self.api.get(f"/v1/stations/{station}")
        seen: dict[str, Any] = answer.json()
        return seen

    async def until(self, station: str, wanted: Callable[[dict[str, Any]], object]) -> Any:
        """Look at a station until it is as wanted."""
        async with asyncio.timeout(PATIENCE_S):
            while not wanted(view := await self.view(station)):
                await asyncio.sleep(0.02)
        return view

    async def two_printed(self, station: str = "bench") -> list[dict[str, Any]]:
        """Two orders whose bags are printed and hang in the station's row, loading first."""
        for order in self.small(2):
            await self.scan(station, order)
        view = await self.until(station, lambda v: len(v["row"]) == 2)
        row: list[dict[str, Any]] = view["row"]
        return row

    def small(self, count: int) -> list[Order]:
        """Orders that the small pre-opened bag holds, each handed out once."""
        return [self.orders.pop(0) for _ in range(count)]

    async def shift(self, station: str = "bench") -> list[dict[str, Any]]:
        """A printed bag is torn off unseen, and the next one's label is scanned: the row as was."""
        row = await self.two_printed(station)
        self.machines[station].pull(0, seen=False)
        scan = await self.label(station, row[1]["expected_scans"][0])
        assert "shifted" == scan["verdict"]
        return row


def small_orders(count: int) -> list[Order]:
    """Orders of the demo's day with one small boxed article."""
    lines = (EXAMPLES / "orders.jsonl").read_text(encoding="utf-8").splitlines()
    model = Order.model_validate_json(lines[1])
    return [
        model.model_copy(update={"order_id": f"T-{number:04d}", "scan_code": f"TOTE-T{number}"})
        for number in range(1, count + 1)
    ]


@asynccontextmanager
async def running(
    folder: Path, *, stations: int | None = None, store: str | None = None, closed: bool = False
) -> AsyncIterator[Room]:
    """Start the room and stop it; `store` is a URL, a file in the folder where left empty.

    A `closed` room lets nobody in without a key; its `api` shows one of a supervisor.
    """
    site, machines = await _site(folder, store or f"sqlite:///{folder / 'room.db'}", stations)
    if closed:
        shut = site.access.model_copy(update={"open_door": False})
        site = site.model_copy(update={"access": shut})
    gateway = build(site, environment={})
    server = uvicorn.Server(
        uvicorn.Config(
            create_app(gateway, SITE_FILE),
            host="127.0.0.1",
            port=0,
            log_config=None,
            access_log=False,
            lifespan="on",
            timeout_graceful_shutdown=1,
        )
    )
    serving = asyncio.create_task(server.serve(), name="gateway http")
    try:
        while not server.started:
            assert not serving.done(), "the gateway did not start"
            await asyncio.sleep(0.01)
        port = server.servers[0].sockets[0].getsockname()[1]
        url = f"http://127.0.0.1:{port}"
        async with httpx.AsyncClient(base_url=url, timeout=20, trust_env=False) as api:
            room = Room(url, gateway, machines, api, small_orders(40))
            if closed:
                key = await room.key("test", AccessRole.SUPERVISOR)
                api.headers["authorization"] = f"Bearer {key}"
            yield room
    finally:
        server.should_exit = True
        await serving
        for machine in machines.values():
            await machine.stop()


async def _site(
    folder: Path, store: str, stations: int | None
) -> tuple[Site, dict[str, SimulatedStation]]:
    """The example room with the addresses that are free here; more copies of it where asked."""
    site = load(SITE_FILE)
    machines: dict[str, SimulatedStation] = {}
    placed = []
    for station in site.station:
        machine = SimulatedStation(
            station.id, bags_ahead=station.bags_ahead, auto_advance=False, print_s=0.002
        )
        await machine.start()
        line = station.lines[0]
        is_whole = line.kind == "simulated"
        host, port = machine.station_address if is_whole else machine.printer_address
        options = {**line.options, "host": host, "port": port}
        placed.append(
            station.model_copy(update={"lines": (line.model_copy(update={"options": options}),)})
        )
        machines[station.id] = machine
    for number in range(len(placed), stations or 0):
        copy = placed[number % len(site.station)]
        placed.append(copy.model_copy(update={"id": f"st-{number:03d}", "name": f"Bench {number}"}))
    changes = {
        "station": tuple(placed),
        "store": site.store.model_copy(update={"url": store}),
        "ledger": site.ledger.model_copy(
            update={"key_file": folder / "key.pem", "archive_dir": folder / "archive"}
        ),
        "wms": None,
    }
    return site.model_copy(update=changes), machines
