"""Discovery over real multicast on loopback, and what becomes of what is found."""

import asyncio
import json
from collections.abc import Callable

import httpx
import pytest
from fastapi import FastAPI
from typer.testing import CliRunner
from zeroconf import Zeroconf, service_type_name

from adapters.announce import GATEWAY_TYPE, STATION_TYPE, Announcement
from gateway.commands.stations import app
from gateway.discovery import (
    TYPES,
    Discovery,
    Found,
    NotFollowed,
    Standing,
    discovering,
    follow,
    judge,
)
from gateway.discovery_route import discovery_router
from schemas.site import Gs1Settings, Site
from schemas.station import LineToStation, Station

_LOOPBACK = ["127.0.0.1"]
_ID = "7f3a"
_GATEWAY = f"room.{GATEWAY_TYPE}"


def _found(**changed: object) -> Found:
    told = {
        "name": "Bagger 3",
        "service": "station",
        "addresses": ("192.0.2.7",),
        "port": 7000,
        "identity": _ID,
    }
    return Found.model_validate(told | changed)


def _site(**options: str | int) -> Site:
    line = LineToStation(kind="simulated", options=dict(options))
    return Site(
        name="room",
        gs1=Gs1Settings(company_prefix="9521234"),
        station=(Station(id="s3", lines=(line,)),),
    )


async def _until(discovery: Discovery, holds: Callable[[tuple[Found, ...]], bool]) -> None:
    changed = asyncio.Event()
    discovery._on_change = changed.set
    async with asyncio.timeout(15):
        while not holds(discovery.found()):
            await changed.wait()
            changed.clear()


async def test_announced_station_is_found_and_its_goodbye_forgets_it() -> None:
    """A station that announces itself appears with what it says, and goes when it says so."""
    says = {"id": _ID, "kind": "simulated"}
    announced = Announcement(STATION_TYPE, "Bagger 3", 7000, says, _LOOPBACK)
    printer = Announcement("_pdl-datastream._tcp.local.", "Label 9", 9100, {}, _LOOPBACK)
    discovery = Discovery(_LOOPBACK)
    await discovery.start()
    try:
        await asyncio.gather(announced.start(), printer.start())
        await _until(discovery, lambda found: len(found) == 2)
        station, raw = discovery.found()
        assert (station.name, station.service, station.port) == ("Bagger 3", "station", 7000)
        assert (station.identity, station.addresses) == (_ID, ("127.0.0.1",))
        assert station.standing is Standing.NEW
        assert (raw.name, raw.service, raw.identity) == ("Label 9", "raw printing", "")
        await announced.stop()
        await _until(discovery, lambda found: len(found) == 1)
    finally:
        await announced.stop()
        await printer.stop()
        await discovery.stop()


async def test_found_by_the_command() -> None:
    """`stations find` prints what is there as JSON."""
    announced = Announcement(STATION_TYPE, "Bagger 4", 7001, {"id": "x"}, _LOOPBACK)
    await announced.start()
    try:
        wanted = ["find", "--interface", "127.0.0.1", "--seconds", "2", "--json"]
        result = await asyncio.to_thread(CliRunner().invoke, app, wanted)
    finally:
        await announced.stop()
    assert result.exit_code == 0
    assert "Bagger 4" in [one["name"] for one in json.loads(result.stdout)]


def test_interfaces_must_be_named() -> None:
    """Looking or announcing on all interfaces would reach foreign networks."""
    with pytest.raises(ValueError, match="interfaces"):
        Discovery([])
    with pytest.raises(ValueError, match="interfaces"):
        Announcement(STATION_TYPE, "x", 1, {}, [])


@pytest.mark.parametrize("name", [*TYPES, GATEWAY_TYPE])
def test_service_types_are_well_formed(name: str) -> None:
    """Service names obey RFC 6335, 5.1, as the zeroconf library judges them."""
    assert service_type_name(name) == name


@pytest.mark.parametrize(
    ("options", "standing"),
    [
        ({"host": "192.0.2.7", "port": 7000}, Standing.KNOWN),
        ({"host": "192.0.2.7", "port": 7001}, Standing.NEW),
        ({"host": "192.0.2.8", "port": 7000}, Standing.NEW),
        ({"host": "dns-sd:Bagger 3", "identity": _ID}, Standing.KNOWN),
        ({"host": "dns-sd:Bagger 3", "identity": "other"}, Standing.HELD),
        ({"host": "dns-sd:Bagger 3"}, Standing.HELD),
    ],
)
def test_found_service_is_judged_by_the_site_file(
    options: dict[str, str | int], standing: Standing
) -> None:
    """Known by address, or by name and identity; a known name alone is held."""
    assert judge(_found(), _site(**options)).standing is standing


def test_unnamed_service_without_identity_is_never_known_by_name() -> None:
    """No identity on either side is no match."""
    site = _site(host="dns-sd:Bagger 3", identity="")
    assert judge(_found(identity=""), site).standing is Standing.HELD


def test_address_that_changed_is_followed_when_the_identity_matches() -> None:
    """The line gets the new address, and the adapter no option that it does not know."""
    line = LineToStation(
        kind="simulated", options={"host": "dns-sd:Bagger 3", "identity": _ID, "answer_s": 2}
    )
    moved = follow(line, [_found(addresses=("192.0.2.99",), port=7100)])
    assert moved.options == {"host": "192.0.2.99", "port": 7100, "answer_s": 2}


@pytest.mark.parametrize(
    "heard",
    [
        [],
        [_found(identity="other")],
        [_found(identity="")],
        [_found(), _found(identity="other", addresses=("192.0.2.66",))],
        [_found(), _found(addresses=("192.0.2.66",))],
    ],
)
def test_address_is_not_followed_when_the_identity_is_in_doubt(heard: list[Found]) -> None:
    """Gone, another identity, none, or two that claim the name: held for a person."""
    line = LineToStation(kind="simulated", options={"host": "dns-sd:Bagger 3", "identity": _ID})
    with pytest.raises(NotFollowed):
        follow(line, heard)


def test_line_with_a_plain_host_stays_as_it_is() -> None:
    """Discovery changes nothing that the site file states plainly."""
    line = LineToStation(kind="tcp", options={"host": "192.0.2.7", "port": 9100})
    assert follow(line, [_found(addresses=("192.0.2.99",))]) is line


async def test_gateway_announces_itself_and_lists_what_it_hears() -> None:
    """Stations can find the gateway, and its route shows them beside the site file."""
    station = Announcement(STATION_TYPE, "Bagger 5", 7005, {"id": _ID}, _LOOPBACK)
    async with discovering(_LOOPBACK, "room", 8080) as discovery:
        await station.start()
        try:
            await _until(discovery, lambda found: len(found) == 1)
            heard = Zeroconf(interfaces=_LOOPBACK)
            info = await asyncio.to_thread(heard.get_service_info, GATEWAY_TYPE, _GATEWAY, 5000)
            await asyncio.to_thread(heard.close)
            app = FastAPI()
            known = _site(host="127.0.0.1", port=7005)
            app.include_router(discovery_router(lambda: discovery.found(known)))
            async with httpx.AsyncClient(
                transport=httpx.ASGITransport(app), base_url="http://gateway.test"
            ) as client:
                (shown,) = (await client.get("/v1/stations/found")).json()
        finally:
            await station.stop()
    assert info is not None
    assert info.port == 8080
    assert (shown["name"], shown["standing"], shown["station"]) == ("Bagger 5", "known", "s3")


async def test_interface_that_is_not_ours_costs_the_list_only() -> None:
    """The gateway starts all the same."""
    async with discovering(["192.0.2.1"], "room", 8080) as discovery:
        assert discovery.found() == ()
