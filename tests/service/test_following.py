"""A station that is given by name: followed to a new address, held when it is another machine."""

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from adapters.announce import STATION_TYPE, Announcement
from adapters.simulator import Fault, FaultKind, SimulatedStation
from gateway.app import Gateway, build
from gateway.dispatch import holds
from gateway.intake.envelope import read_structured
from gateway.ledger import entries
from gateway.store import jobs
from schemas.ledger import EntryKind
from schemas.site import Site
from tests.service.gateway_rig import BAGS, FILMS, RETRY, order, until

LOOPBACK = ["127.0.0.1"]
pytestmark = pytest.mark.slow


@pytest.fixture
async def gateway(tmp_path: Path) -> AsyncIterator[Gateway]:
    """A gateway whose one station is known by name and identity."""
    line = {"kind": "simulated", "options": {"host": "dns-sd:Bagger 3", "identity": "7f3a"}}
    site = Site.model_validate(
        {
            "name": "room",
            "gs1": {"company_prefix": "9521234"},
            "store": {"url": f"sqlite:///{tmp_path / 'x.db'}"},
            "discovery": {"interfaces": LOOPBACK, "announce": False},
            "film": FILMS,
            "bag": BAGS,
            "station": [
                {
                    "id": "s3",
                    "lines": [line],
                    "loaded": [{"bag": "small"}],
                    "verify": "none",
                    "retry": RETRY,
                }
            ],
        }
    )
    built = build(site, environment={})
    await built.start()
    yield built
    await built.stop()


async def _announced(station: SimulatedStation, identity: str) -> Announcement:
    says = {"id": identity, "kind": "simulated"}
    announced = Announcement(STATION_TYPE, "Bagger 3", station.station_address[1], says, LOOPBACK)
    await announced.start()
    return announced


async def _scan(gateway: Gateway, name: str) -> None:
    event = {
        "specversion": "1.0",
        "id": name,
        "source": "test",
        "type": "bagrelay.order.scanned.v1",
        "data": {"station": "s3", "code": name, "order": order(name)},
    }
    await gateway.intake.accept(read_structured(json.dumps(event).encode()), actor="test")


async def _state(gateway: Gateway, name: str) -> str:
    found = await gateway.store.read(lambda conn: jobs.of_order(conn, name))
    return found[0].state.value


async def test_station_is_followed_to_a_new_address_and_no_further(gateway: Gateway) -> None:
    """Same identity, new port: the labels go there. Another identity: the station is held."""
    first, second, stranger = (SimulatedStation(name) for name in ("a", "b", "c"))
    for machine in (first, second, stranger):
        await machine.start()
    try:
        announced = await _announced(first, "7f3a")
        await _scan(gateway, "o1")
        await until(lambda: _is(first.printed_count == 1), "a label at the first address")
        await announced.stop()
        first.off()
        announced = await _announced(second, "7f3a")
        await _scan(gateway, "o2")
        await until(lambda: _is(second.printed_count == 1), "a label at the new address")
        await announced.stop()
        second.off()
        announced = await _announced(stranger, "9999")
        await _scan(gateway, "o3")
        await until(lambda: _held(gateway), "the station to be held")
        assert (0, "queued") == (stranger.printed_count, await _state(gateway, "o3"))
        await announced.stop()
    finally:
        await asyncio.gather(*(machine.stop() for machine in (first, second, stranger)))


async def test_followed_station_is_asked_what_became_of_a_label(gateway: Gateway) -> None:
    """What its kind can do it can do under its name too: a doubt asks no person."""
    machine = SimulatedStation("a")
    await machine.start()
    announced = await _announced(machine, "7f3a")
    try:
        machine.inject(Fault(FaultKind.LOSES_LINE))
        await _scan(gateway, "o1")
        await until(lambda: _printed(gateway, "o1"), "the station to tell that it printed")
        told = await gateway.store.read(lambda conn: entries.page(conn, after=0, limit=1000))
        settled = [entry.data["by"] for entry in told if entry.kind is EntryKind.DOUBT_SETTLED]
        assert (["station"], 1) == (settled, machine.printed_count)
    finally:
        await announced.stop()
        await machine.stop()


async def _printed(gateway: Gateway, name: str) -> bool:
    return await _state(gateway, name) in ("printed", "closed")


async def _is(true: bool) -> bool:
    return true


async def _held(gateway: Gateway) -> bool:
    held = await gateway.store.read(lambda conn: holds.open_of(conn, "s3"))
    return held is not None and "identity" in held.text
