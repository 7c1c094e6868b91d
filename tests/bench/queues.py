"""Consumed and committed events per second over each broker: group commit against one commit each.

Run with `python -m tests.bench.queues [EVENTS]`. Each event is taken off a real broker on loopback,
checked, made durable with its ledger entry and acknowledged; both ways in the same run, in turn.
"""

import asyncio
import json
import logging
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import sqlalchemy as sa
import structlog

from gateway.app import build
from gateway.store import store as store_module
from gateway.store.tables import events
from schemas.site import Site
from tests.contract.broker_clients import publish
from tests.rigs.servers import Mosquitto, Nats, NotInstalled, RabbitMq, Server

STATIONS = 100
ROUNDS = 2
GROUP = store_module.LARGEST_GROUP


def _site(folder: Path, url: str, address: str) -> Site:
    return Site.model_validate(
        {
            "name": "bench",
            "gs1": {"company_prefix": "9521234"},
            "store": {"url": f"sqlite:///{folder}/bench.db"},
            "station": [
                {
                    "id": f"s{n}",
                    "lines": [{"kind": "simulated", "options": {"host": "127.0.0.1", "port": 9}}],
                }
                for n in range(STATIONS)
            ],
            "queue": [
                {"id": "q", "url": url, "take_from": address, "send_to": None, "dead": "x.dead"}
            ],
        }
    )


def _event(number: int) -> bytes:
    size = {"length": 210, "width": 148, "height": 30 + number % 50}
    event: dict[str, Any] = {
        "specversion": "1.0",
        "id": f"e{number}",
        "source": "/bench",
        "type": "bagrelay.item.measured.v1",
        "note": "x" * 1000,  # an extension, so that it weighs what an order weighs
        "data": {"station": f"s{number % STATIONS}", "code": "c", "measured": {"size": size}},
    }
    return json.dumps(event).encode()


async def _one(server: Server, url: str, address: str, count: int, group: int) -> float:
    """Events per second from the first taken to the last committed."""
    store_module.LARGEST_GROUP = group
    with tempfile.TemporaryDirectory() as name:
        gateway = build(_site(Path(name), url, address), environment={})
        gateway.store.start()
        feed = gateway.ways.feeds[0]
        feed.start()
        while not feed.view().connected:
            await asyncio.sleep(0.01)
        await feed.stop()  # the queue is there now: fill it, then measure
        await publish(str(server.url), address, *(_event(n) for n in range(count)))  # type: ignore[attr-defined]
        again = build(_site(Path(name), url, address), environment={}).ways.feeds[0]
        again._store, again._intake = gateway.store, gateway.intake
        again.start()
        begin = time.perf_counter()
        while again.view().taken < count:
            await asyncio.sleep(0.005)
        seconds = time.perf_counter() - begin
        durable = gateway.store.read_now(
            lambda conn: conn.execute(sa.select(sa.func.count()).select_from(events)).scalar_one()
        )
        assert count == durable, (count, durable)
        await again.stop()
        gateway.store.close()
    return count / seconds


async def main(count: int) -> None:
    """Print the table."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    print(f"{count} events of 1.2 kB, {STATIONS} stations, prefetch 100, SQLite synchronous=FULL")
    print(f"{'broker':10} {'each/s':>9} {'group/s':>9} {'gain':>6}")
    for make in (Nats, RabbitMq, Mosquitto):
        with tempfile.TemporaryDirectory() as name:
            try:
                server: Server = make(Path(name))
                server.start()
            except NotInstalled as missing:
                print(f"{make.name:10} {missing}")
                continue
            try:
                best = {1: 0.0, GROUP: 0.0}
                url = str(server.url).replace("guest:guest@", "")  # type: ignore[attr-defined]
                # this broker keeps 1,000 messages for a session that is away
                at_once = min(count, 900) if make is Mosquitto else count
                for turn in range(ROUNDS):
                    for group in (1, GROUP):
                        rate = await _one(server, url, f"in.{group}.{turn}", at_once, group)
                        best[group] = max(best[group], rate)
                gain = best[GROUP] / best[1]
                print(f"{make.name:10} {best[1]:9.0f} {best[GROUP]:9.0f} {gain:6.1f}")
            finally:
                server.close()


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]) if len(sys.argv) > 1 else 3000))
