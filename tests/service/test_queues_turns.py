"""Two gateways on one PostgreSQL: one reads a queue and tells a target, the other takes over."""

import json
from pathlib import Path

import sqlalchemy as sa

from gateway.clock import SystemClock
from gateway.queues import turns
from gateway.queues.tables import turns as table
from gateway.store.store import Store
from tests.rigs.servers import Nats


async def test_one_gateway_has_the_turn_until_it_ends(postgres_url: str) -> None:
    """While it renews nobody else has it; once handed back, or run out, the other does."""
    one, other = Store(postgres_url, SystemClock()), Store(postgres_url, SystemClock())
    one.start()
    other.start()
    try:
        assert await turns.take(one, "queue wms", "a")
        assert await turns.take(one, "queue wms", "a")
        assert not await turns.take(other, "queue wms", "b")
        await turns.give_up(one, "a")
        assert await turns.take(other, "queue wms", "b")
        await other.write(
            lambda work: work.conn.execute(
                sa.update(table).values(until=work.now.replace(year=work.now.year - 1))
            )
        )
        assert await turns.take(one, "queue wms", "a")
        assert not await turns.take(other, "queue wms", "b")
    finally:
        one.close()
        other.close()


async def test_feed_of_a_second_gateway_waits_its_turn(
    postgres_url: str, nats_server: Nats, tmp_path: Path
) -> None:
    """Both are configured for the queue; one reads it, and after its stop the other goes on."""
    from gateway.app import build
    from schemas.site import Site
    from tests.contract.broker_clients import publish
    from tests.service.gateway_rig import until

    site = Site.model_validate(
        {
            "name": "shared",
            "gs1": {"company_prefix": "9521234"},
            "store": {"url": postgres_url},
            "station": [
                {
                    "id": "s1",
                    "lines": [{"kind": "simulated", "options": {"host": "127.0.0.1", "port": 9}}],
                }
            ],
            "queue": [{"id": "wms", "url": nats_server.url}],
        }
    )  # fmt: skip
    gateways = [build(site, environment={}) for _ in range(2)]
    for gateway in gateways:
        gateway.store.start()
    first, second = (gateway.ways.feeds[0] for gateway in gateways)

    def scan(number: int) -> bytes:
        size = {"length": 200, "width": 100, "height": 20}
        return json.dumps(
            {
                "specversion": "1.0", "id": str(number), "source": "/line",
                "type": "bagrelay.item.measured.v1",
                "data": {"station": "s1", "code": "c", "measured": {"size": size}},
            }
        ).encode()  # fmt: skip

    async def taken_by(feed: object, wanted: int) -> None:
        async def look() -> bool:
            return bool(feed.view().taken == wanted)  # type: ignore[attr-defined]

        await until(look, f"{wanted} events")

    try:
        first.start()

        async def connected() -> bool:
            return first.view().connected

        await until(connected, "the first gateway to read")
        second.start()

        async def waits() -> bool:
            return "another gateway" in second.view().text

        await until(waits, "the second to wait")
        await publish(nats_server.url, "bagrelay.in", scan(1), scan(2))
        await taken_by(first, 2)
        await gateways[0].ways.stop()
        await publish(nats_server.url, "bagrelay.in", scan(3))
        await taken_by(second, 1)
    finally:
        for gateway in gateways:
            await gateway.ways.stop()
            gateway.store.close()
