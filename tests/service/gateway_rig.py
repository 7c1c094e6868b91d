"""A real gateway for tests: HTTP on a free port, a SQLite file, simulated stations on sockets."""

import asyncio
import itertools
import shutil
import tempfile
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from functools import cache
from pathlib import Path
from typing import Any

import httpx
import uvicorn

from adapters.simulator import SimulatedStation
from gateway.app import Gateway, build, create_app
from gateway.clock import Clock, SystemClock
from gateway.ledger import chain, entries
from gateway.store.store import Store
from schemas.ledger import EntryKind, LedgerEntry
from schemas.site import Site

PATIENCE_S = 20.0
_LINE_OPTIONS: Mapping[str, Mapping[str, object]] = {
    "simulated": {"answer_s": 0.5, "print_s": 0.5, "connect_s": 1.0},
    "tcp": {"write_s": 1.0, "answer_s": 0.3, "connect_s": 1.0},
    "tcp-counted": {
        "write_s": 1.0, "answer_s": 0.3, "connect_s": 1.0, "print_s": 0.5,
        "settle_s": 0.05, "late_s": 0.5,
    },
}  # fmt: skip

FILMS = [
    {"id": "white-60", "thickness_um": 60, "colour": "white"},
    {"id": "clear-38", "thickness_um": 38, "clear": True},
]
BAGS: list[dict[str, object]] = [
    {
        "id": "small", "form": "pre_opened", "film": "white-60", "width_mm": 250, "length_mm": 350,
    },
    {
        "id": "large", "form": "pre_opened", "film": "white-60", "width_mm": 400, "length_mm": 550,
    },
    {
        "id": "tube", "form": "tubing", "film": "white-60", "lay_flat_width_mm": 260,
        "min_length_mm": 180, "max_length_mm": 800, "length_step_mm": 5,
    },
]  # fmt: skip
RETRY = {"attempts": 4, "first_wait_s": 0.01, "longest_wait_s": 0.05, "breaker_open_s": 0.1}
PERSON = {
    "name": "Ilse Beispiel",
    "lines": ["Beispielweg 12"],
    "city": "Beispielstadt",
    "postcode": "00000",
    "country": "DE",
}


def station(name: str, kind: str = "simulated", **more: object) -> dict[str, Any]:
    """A station of a test's site: small bags, no scan demanded unless said."""
    return {
        "id": name,
        "lines": [{"kind": kind, "options": {}}],
        "loaded": [{"bag": "small", "pieces_left": 1000, "low_at": 10}],
        "verify": "none",
        "retry": RETRY,
        **more,
    }


def order(order_id: str, **more: object) -> dict[str, Any]:
    """An order of one flat box that fits the small bag."""
    return {
        "order_id": order_id,
        "ship_to": PERSON,
        "lines": [
            {
                "line_id": "1",
                "item": {
                    "sku": "box",
                    "size": {"length": 200, "width": 150, "height": 20},
                    "mass_g": 300,
                },
            }
        ],
        **more,
    }


@cache
def _empty_store() -> Path:
    """A store whose migrations have run: they are tested on their own, and take time."""
    path = Path(tempfile.mkdtemp(prefix="bagrelay-rig-")) / "empty.db"
    store = Store(f"sqlite:///{path}", SystemClock())
    store.start()
    store.close()
    return path


class Rig:
    """A running gateway with its stations and a client."""

    def __init__(self, folder: Path, site: dict[str, Any], clock: Clock | None) -> None:
        self.db = folder / "rig.db"
        self._site = site
        self._clock = clock
        self._numbers = itertools.count(1)
        self.stations: dict[str, SimulatedStation] = {}
        self.gateway: Gateway
        self.client: httpx.AsyncClient
        self._server: uvicorn.Server
        self._serving: asyncio.Task[None]

    # Life

    async def start(self, machines: Mapping[str, Mapping[str, Any]]) -> None:
        """Stand the stations up, then the gateway."""
        if not self.db.exists():
            await asyncio.to_thread(shutil.copyfile, _empty_store(), self.db)
        for one in self._site["station"]:
            name, kind = one["id"], one["lines"][0]["kind"]
            machine = SimulatedStation(
                name,
                bags_ahead=one.get("bags_ahead", 0),
                **{"auto_advance": one["verify"] != "required", **machines.get(name, {})},
            )
            await machine.start(receive_buffer=16384)
            self.stations[name] = machine
            host, port = machine.station_address if kind == "simulated" else machine.printer_address
            own = one["lines"][0]["options"]
            if kind in _LINE_OPTIONS:
                one["lines"][0]["options"] = {
                    "host": host, "port": port, **_LINE_OPTIONS[kind], **own,
                }  # fmt: skip
        await self.start_gateway()
        await self._known()

    async def _known(self) -> None:
        """Wait until each station that can tell has told its state: an entry of its own."""
        can_tell = [
            one["id"]
            for one in self._site["station"]
            if [line["kind"] for line in one["lines"]] == ["simulated"]
        ]

        async def told() -> bool:
            views = (await self.client.get("/v1/stations")).json()
            states = {view["station"]: view["machine_state"] for view in views}
            return all(states.get(name) != "unknown" for name in can_tell)

        await until(told, "the stations' states to be known")

    async def start_gateway(self) -> None:
        """Start the gateway on the store as it is."""
        site = Site.model_validate(
            {
                "access": {"open_door": True},
                **self._site,
                "store": {"url": f"sqlite:///{self.db}"},
            }
        )
        self.gateway = build(site, clock=self._clock, environment={})
        self._server = uvicorn.Server(
            uvicorn.Config(
                create_app(self.gateway),
                port=0,
                log_config=None,
                access_log=False,
                lifespan="on",
                timeout_graceful_shutdown=5,
            )
        )
        self._serving = asyncio.create_task(self._server.serve(), name="gateway http")
        while not self._server.started:
            if self._serving.done():
                await self._serving
                raise RuntimeError("the gateway did not start")
            await asyncio.sleep(0.002)
        host, port = self._server.servers[0].sockets[0].getsockname()[:2]
        self.client = httpx.AsyncClient(
            base_url=f"http://{host}:{port}", timeout=PATIENCE_S, trust_env=False
        )

    async def stop_gateway(self) -> None:
        """A clean stop: what is being sent is finished."""
        await self.client.aclose()
        self._server.should_exit = True
        await self._serving

    async def stop(self) -> None:
        """Stop everything."""
        await self.stop_gateway()
        for machine in self.stations.values():
            await machine.stop()

    # What the outside does

    async def post(self, event: Mapping[str, object]) -> httpx.Response:
        """Post one structured event."""
        return await self.client.post(
            "/v1/events",
            json=event,
            headers={"content-type": "application/cloudevents+json"},
        )

    def event(self, type_: str, station: str, **data: object) -> dict[str, Any]:
        """A new event of one of our types; `type_` without prefix and version."""
        return {
            "specversion": "1.0",
            "id": f"e{next(self._numbers)}",
            "source": "/test",
            "type": f"bagrelay.{type_}.v1",
            "data": {"station": station, **data},
        }

    async def send(self, type_: str, station: str, **data: object) -> dict[str, Any]:
        """Post a new event that must be accepted; its answer."""
        answer = await self.post(self.event(type_, station, **data))
        assert answer.status_code == 202, answer.text
        accepted: dict[str, Any] = answer.json()
        return accepted

    async def scan(self, station: str, order_id: str, **more: object) -> dict[str, Any]:
        """Scan an order that comes with the event."""
        return await self.send(
            "order.scanned", station, code=order_id, order=order(order_id, **more)
        )

    async def verify(self, station: str, code: str | None) -> dict[str, Any]:
        """Scan a label; the verdict."""
        scan: dict[str, Any] = (await self.send("label.scanned", station, code=code))["scan"]
        return scan

    async def act(self, path: str, **body: object) -> httpx.Response:
        """Do what a person does."""
        said = {"reason": "looked at it", "by": "Tester", **body}
        return await self.client.post(path, json=said)

    async def settle(self, job_id: str, answer: str) -> httpx.Response:
        """Answer the question of a waiting job."""
        return await self.act(f"/v1/jobs/{job_id}/settle", answer=answer)

    # What can be seen

    async def view(self, station: str) -> dict[str, Any]:
        """The station now."""
        seen: dict[str, Any] = (await self.client.get(f"/v1/stations/{station}")).json()
        return seen

    async def story(self, order_id: str) -> dict[str, Any]:
        """The order's story."""
        answer = await self.client.get(f"/v1/orders/{order_id}")
        assert answer.status_code == 200, answer.text
        told: dict[str, Any] = answer.json()
        return told

    async def jobs(self, order_id: str) -> list[dict[str, Any]]:
        """Every job of an order, oldest first."""
        parcels = (await self.story(order_id))["parcels"]
        return [job for parcel in parcels for job in parcel["jobs"]]

    async def states(self, order_id: str) -> list[str]:
        """The states of an order's jobs, oldest first."""
        return [job["state"] for job in await self.jobs(order_id)]

    async def job_in(self, order_id: str, *states: str) -> dict[str, Any]:
        """Wait until the order's last job is in one of the states; the job."""

        async def look() -> dict[str, Any] | None:
            found = await self.jobs(order_id)
            return found[-1] if found and found[-1]["state"] in states else None

        job: dict[str, Any] = await until(look, f"{order_id} to be {' or '.join(states)}")
        return job

    async def code_of(self, order_id: str) -> str:
        """The code that the order's last label carries."""
        code: str = (await self.jobs(order_id))[-1]["expected_scans"][0]
        return code

    async def ledger(self, kind: EntryKind | None = None) -> list[LedgerEntry]:
        """Ledger entries in their order."""
        told = await self.gateway.store.read(
            lambda conn: entries.page(conn, after=0, limit=1_000_000)
        )
        return [entry for entry in told if kind is None or entry.kind is kind]

    async def moves(self, order_id: str) -> list[str]:
        """The states that the order's jobs moved to, in order."""
        return [
            str(entry.data["to"])
            for entry in await self.ledger(EntryKind.JOB_MOVED)
            if entry.order_id == order_id
        ]

    async def outgoing(self, type_: str) -> list[dict[str, Any]]:
        """Rows of the outbox of one type."""
        import sqlalchemy as sa

        from gateway.store.tables import outbox

        rows = await self.gateway.store.read(
            lambda conn: conn.execute(sa.select(outbox).order_by(outbox.c.id)).all()
        )
        return [dict(row._mapping) for row in rows if row.type == f"bagrelay.{type_}.v1"]

    async def check_ledger(self) -> None:
        """The chain is whole, as `bagrelay ledger verify` checks it."""
        report = await self.gateway.store.read(lambda conn: chain.verify(entries.stored_rows(conn)))
        assert report.ok, report.text


async def until(look: Callable[[], Awaitable[Any]], what: str) -> Any:
    """Wait until `look` gives something that is true."""
    ends = time.monotonic() + PATIENCE_S
    while time.monotonic() < ends:
        seen = await look()
        if seen:
            return seen
        await asyncio.sleep(0.005)
    raise AssertionError(f"waited {PATIENCE_S:g} s for {what}")


async def sees(look: Callable[[], bool], what: str) -> None:
    """Wait until something without a coroutine is true."""

    async def true() -> bool:
        return look()

    await until(true, what)


@asynccontextmanager
async def running(
    folder: Path,
    *stations: dict[str, Any],
    machines: Mapping[str, Mapping[str, Any]] | None = None,
    clock: Clock | None = None,
    **site: object,
) -> AsyncIterator[Rig]:
    """A gateway with these stations; further keywords are sections of the site file."""
    rig = Rig(
        folder,
        {
            "name": "rig",
            "gs1": {"company_prefix": "9521234"},
            "film": FILMS,
            "bag": BAGS,
            "station": list(stations),
            **site,
        },
        clock,
    )
    try:
        await rig.start(machines or {})
    except BaseException:
        for machine in rig.stations.values():
            await machine.stop()
        raise
    try:
        yield rig
    finally:
        await rig.stop()
