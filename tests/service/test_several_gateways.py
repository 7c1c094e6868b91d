"""Several gateway processes on one PostgreSQL: paused, restarted in turn, and left without it.

A lane's lease lasts 6 s and is renewed every 2 s, so the lanes of a gateway that is gone are sent
to again within 8 s, the time of a busy database aside. `tests/bench/chaos.py` is the long form.
"""

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from pathlib import Path

import httpx
import pytest
import sqlalchemy as sa
from conftest import _running
from gateway_rig import until

from gateway.dispatch.dispatcher import LEASE_S
from gateway.ledger import chain, entries
from tests.bench.promises import Told, wrong_at
from tests.rigs.gateway_process import GatewayProcess
from tests.rigs.room import Room
from tests.rigs.servers import Postgres
from tests.rigs.shared_site import face_of, scan_event, write_site

PATIENCE_S = 60.0
KINDS = {"s0": "simulated", "s1": "tcp", "s2": "tcp-counted", "s3": "simulated"}

pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Postgres]:
    """A PostgreSQL that a test may end."""
    yield from _running(Postgres, tmp_path)


class Shared:
    """Gateways, the stations that they share, and who scans."""

    def __init__(self, gateways: Sequence[GatewayProcess], room: Room, dsn: str) -> None:
        self.gateways = gateways
        self.room = room
        self.accepted: dict[str, list[str]] = {name: [] for name in KINDS}
        self.dsn = dsn
        self.client = httpx.AsyncClient(trust_env=False, timeout=5)

    async def scan(self, station: str, gateways: Sequence[GatewayProcess]) -> None:
        """Scan one order; asks one gateway after the other until one accepts."""
        order_id = f"{station}-{len(self.accepted[station]) + 1}"
        ends = time.monotonic() + PATIENCE_S
        while time.monotonic() < ends:
            for gateway in gateways:
                if await self.posted(gateway, station, order_id) == 202:
                    self.accepted[station].append(order_id)
                    return
            await asyncio.sleep(0.1)
        raise AssertionError(f"nobody took {order_id}")

    async def posted(self, gateway: GatewayProcess, station: str, order_id: str) -> int:
        """The status that a scan is answered with; 0 where nobody answers."""
        try:
            answer = await self.client.post(
                f"{gateway.url}/v1/events",
                json=scan_event(station, order_id),
                headers={"content-type": "application/cloudevents+json"},
            )
        except httpx.TransportError:
            return 0
        return answer.status_code

    async def sends_to(self, gateway: GatewayProcess) -> set[str]:
        """The stations whose lanes a gateway has."""
        views = (await self.client.get(f"{gateway.url}/v1/stations")).json()
        return {view["station"] for view in views if view["sends_here"]}

    async def all_out(self, asked: GatewayProcess | None = None) -> None:
        """Wait until every accepted order's label is out and nothing is on its way."""
        await self.sees(
            lambda: all(
                len(set(self.room.printed[name])) >= len(orders)
                for name, orders in self.accepted.items()
            ),
            f"{self.accepted} to be out",
        )
        await self.at_rest(asked or self.gateways[-1])

    async def at_rest(self, asked: GatewayProcess) -> None:
        """Wait until no lane has a label on its way."""

        async def rests() -> bool:
            with contextlib.suppress(httpx.TransportError, ValueError, TypeError):
                views = (await self.client.get(f"{asked.url}/v1/stations")).json()
                return not any(view["sending"] or view["in_doubt"] for view in views)
            return False

        await until(rests, "the lanes to rest")

    async def sees(self, look: Callable[[], bool], what: str) -> None:
        """Wait until it is true of the labels that came out."""
        ends = time.monotonic() + PATIENCE_S
        while time.monotonic() < ends:
            self.room.look()
            if look():
                return
            await asyncio.sleep(0.05)
        raise AssertionError(f"waited {PATIENCE_S:g} s for {what}")

    def check_labels(self) -> None:
        """Each accepted order's label came out once, in its turn, and the ledger agrees."""
        self.room.look()
        engine = sa.create_engine(self.dsn.replace("postgresql:", "postgresql+psycopg:"))
        with engine.connect() as conn:
            report = chain.verify(entries.stored_rows(conn))
            told = Told(entries.page(conn, after=0, limit=1_000_000))
        engine.dispose()
        assert report.ok, report.text
        for name, kind in KINDS.items():
            came_out = self.room.printed[name]
            assert [] == wrong_at(kind, name, self.accepted[name], came_out, told)
            assert len(self.accepted[name]) == len(came_out), name


@contextlib.asynccontextmanager
async def shared(folder: Path, database: Postgres, many: int) -> AsyncIterator[Shared]:
    """So many gateways, started in a row, so that the first has all lanes."""
    name = database.new_database()
    async with Room(folder / "printed", list(KINDS)) as room:
        places = {
            station: (kind, room.places[station][face_of(kind)][1])
            for station, kind in KINDS.items()
        }
        gateways = []
        for number in range(many):
            site = folder / f"g{number}.toml"
            write_site(site, database.dsn(name), places)
            gateways.append(GatewayProcess(site.stem, site))
        scene = Shared(gateways, room, database.dsn(name))
        try:
            for gateway in gateways:
                await gateway.start()
                assert await gateway.ready(), gateway.last_words
            yield scene
        finally:
            await scene.client.aclose()
            for gateway in gateways:
                await gateway.kill()


async def test_paused_gateway_cannot_send_after_its_lease(
    tmp_path: Path, database: Postgres
) -> None:
    """SIGSTOP past the lease: the other takes over and prints on; let go on, the first sends
    nothing, though it had labels to send and was told of more while it slept. Then the
    other way round: a lane may come back, and nobody takes the other's labels for strange ones."""
    async with shared(tmp_path, database, 2) as scene:
        first, second = scene.gateways
        assert set(KINDS) == await scene.sends_to(first)
        for station in KINDS:
            await scene.scan(station, [first])
        await scene.all_out()
        for station in ("s0", "s2", "s3") * 4:
            await scene.scan(station, [first])
        first.pause()
        for _ in range(3):
            for station in KINDS:
                await scene.scan(station, [second])
        await scene.all_out()

        async def taken_over() -> bool:
            return await scene.sends_to(second) == set(KINDS)

        await until(taken_over, "the second gateway to have the lanes")
        first.go_on()
        assert await first.ready()
        assert set() == await scene.sends_to(first)
        second.pause()
        for station in KINDS:
            await scene.scan(station, [first])
        await scene.all_out(first)
        second.go_on()
        assert await second.ready()
        await asyncio.sleep(2 * LEASE_S / 3)
        scene.check_labels()
        for gateway in scene.gateways:
            assert 0 == await gateway.stop()


async def test_rolling_restart_under_load_loses_and_doubles_nothing(
    tmp_path: Path, database: Postgres
) -> None:
    """Each gateway in turn is stopped in order and started again while scans go on."""
    async with shared(tmp_path, database, 2) as scene:
        over = asyncio.Event()

        async def scan_on(station: str) -> None:
            while not over.is_set():
                await scene.scan(station, scene.gateways)
                await asyncio.sleep(0.2)

        scanning = [asyncio.create_task(scan_on(station)) for station in KINDS]
        try:
            for gateway in scene.gateways:
                before = sum(len(orders) for orders in scene.accepted.values())
                assert 0 == await gateway.stop(), gateway.last_words
                await gateway.start()
                assert await gateway.ready(), gateway.last_words
                assert before < sum(len(orders) for orders in scene.accepted.values())
        finally:
            over.set()
            await asyncio.gather(*scanning)
        await scene.all_out()
        scene.check_labels()


async def test_gateway_without_its_database_says_so_and_goes_on_afterwards(
    tmp_path: Path, database: Postgres
) -> None:
    """503 for scans and questions while PostgreSQL is away; then it works on, or stops in order."""
    async with shared(tmp_path, database, 1) as scene:
        (gateway,) = scene.gateways
        await scene.scan("s0", [gateway])
        await scene.all_out()
        await asyncio.to_thread(database.stop)
        assert 503 == await scene.posted(gateway, "s0", "s0-2")
        assert 503 == (await scene.client.get(f"{gateway.url}/v1/stations")).status_code
        assert 503 == (await scene.client.get(f"{gateway.url}/readyz")).status_code
        assert 200 == (await scene.client.get(f"{gateway.url}/healthz")).status_code
        await asyncio.to_thread(database.start)
        for station in KINDS:
            await scene.scan(station, [gateway])
        await scene.all_out()
        scene.check_labels()
        await asyncio.to_thread(database.stop)
        assert 0 == await gateway.stop(), gateway.last_words
