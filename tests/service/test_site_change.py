"""A site file taken up while the gateway runs: all or nothing, and no label lost or doubled."""

import asyncio
import json
import os
import signal
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import uvicorn
from gateway_rig import BAGS, FILMS, Rig, running, station, until

from gateway.app import build, create_app
from gateway.limits.serving import serving
from gateway.site_change import compare
from gateway.site_file import load
from gateway.switch import Switch
from schemas.ledger import EntryKind
from schemas.site import Site


def toml(value: object) -> str:
    """A value as TOML writes it on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{name} = {toml(inner)}" for name, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return json.dumps(value)


class Switched(Rig):
    """A gateway that is served through the switch, from a file that the test may write."""

    switch: Switch

    @property
    def file(self) -> Path:
        """The site file."""
        return self.db.with_name("site.toml")

    def write(self, **changes: object) -> None:
        """Write another site file."""
        site = {"access": {"open_door": True}, **self._site, **changes}
        site.setdefault("store", {"url": f"sqlite:///{self.db}"})
        self.file.write_text("".join(f"{name} = {toml(value)}\n" for name, value in site.items()))

    async def start_gateway(self) -> None:
        """Start it behind the switch."""
        self.write()
        self.switch = Switch(
            lambda: load(self.file),
            partial(build, environment={}),
            partial(create_app, site_file=self.file),
        )
        settings = serving(self.switch.gateway.site, "127.0.0.1", 0, {})
        self._server = uvicorn.Server(uvicorn.Config(self.switch, lifespan="on", **settings))
        self._serving = asyncio.create_task(self._server.serve(), name="gateway http")
        while not self._server.started:
            assert not self._serving.done(), "the gateway did not start"
            await asyncio.sleep(0.002)
        host, port = self._server.servers[0].sockets[0].getsockname()[:2]
        self.client = httpx.AsyncClient(
            base_url=f"http://{host}:{port}", timeout=30, trust_env=False
        )

    async def take(self) -> httpx.Response:
        """Have it taken up, and wait until the change is over."""
        answer = await self.act("/v1/site/reload")
        if answer.status_code == 202:
            digest = answer.json()["sha256"]

            async def over() -> bool:
                last = self.switch.last
                return last is not None and last.digest == digest

            await until(over, "the site file to be taken up")
            await self.client.get("/healthz")
        self.gateway = self.switch.gateway
        return answer


@asynccontextmanager
async def switched(
    folder: Path, *stations: dict[str, Any], **machines: dict[str, Any]
) -> AsyncIterator[Switched]:
    """Start it and stop it."""
    site = {
        "name": "rig",
        "gs1": {"company_prefix": "9521234"},
        "film": FILMS,
        "bag": BAGS,
        "station": list(stations),
    }
    rig = Switched(folder, site, None)
    await rig.start(machines)
    rig.gateway = rig.switch.gateway
    try:
        yield rig
    finally:
        await rig.stop()


async def test_new_station_and_new_bag_work_without_a_restart(tmp_path: Path) -> None:
    async with switched(tmp_path, station("s1"), station("s2")) as rig:
        both = rig._site["station"]
        rig.write(station=both[:1])
        assert (await rig.take()).status_code == 202
        assert (await rig.client.get("/v1/stations/s2")).status_code == 404
        before = (await rig.ledger(EntryKind.SITE_LOADED))[-1]

        rig.write(station=both, former_bag="large")
        assert (await rig.take()).status_code == 202
        await rig.scan("s2", "A-1")
        await rig.job_in("A-1", "printed", "closed")
        assert len(rig.stations["s2"].printed_codes) == 1

        taken = (await rig.ledger(EntryKind.SITE_LOADED))[-1]
        assert taken.actor == "Tester"
        assert taken.data["reason"] == "looked at it"
        assert taken.data["before"] == before.data["sha256"]
        assert taken.data["sha256"] != before.data["sha256"]
        assert len(await rig.ledger(EntryKind.GATEWAY_STARTED)) == 1
        await rig.check_ledger()


async def test_labels_print_once_and_no_request_fails_while_files_change(tmp_path: Path) -> None:
    async with switched(tmp_path, station("s1"), s1={"print_s": 0.03}) as rig:

        async def orders() -> None:
            for number in range(40):
                await rig.scan("s1", f"A-{number}")
                await asyncio.sleep(0.01)

        sending = asyncio.create_task(orders())
        for days in (91, 92, 93):
            rig.write(store={"url": f"sqlite:///{rig.db}", "keep_payloads_days": days})
            assert (await rig.take()).status_code == 202
        await sending
        for number in range(40):
            await rig.job_in(f"A-{number}", "printed", "closed")
        codes = rig.stations["s1"].printed_codes
        assert len(codes) == len(set(codes)) == 40
        assert rig.gateway.site.store.keep_payloads_days == 93
        await rig.check_ledger()


async def test_wrong_file_changes_nothing(tmp_path: Path) -> None:
    async with switched(tmp_path, station("s1")) as rig:
        size = len(await rig.ledger())
        for wrong in (
            {"station": [station("s1", loaded=[{"bag": "no-such-bag", "pieces_left": 1}])]},
            {"station": [station("s1", kind="no-such-kind")]},
            {"http": {"port": 9999}},
            {"store": {"url": f"sqlite:///{tmp_path / 'other.db'}"}},
        ):
            rig.write(**wrong)
            answer = await rig.take()
            assert answer.status_code == 409
            assert "Nothing was changed" in answer.json()["detail"]
        rig.write(http={"port": 9999})
        assert "http.port differs" in (await rig.take()).json()["detail"]
        assert len(await rig.ledger()) == size
        assert rig.switch.last is None


async def test_of_several_wishes_at_once_one_is_heard(tmp_path: Path) -> None:
    async with switched(tmp_path, station("s1")) as rig:
        rig.write(former_bag="large")
        # each on a connection that stands already: one that is opened first comes too late
        await asyncio.gather(*(rig.client.get("/healthz") for _ in range(4)))
        wishes = [rig.act("/v1/site/reload", by=f"Tester {number}") for number in range(4)]
        answers = await asyncio.gather(*wishes)
        assert sorted(one.status_code for one in answers) == [202, 409, 409, 409]
        assert (await rig.client.get("/healthz")).status_code == 200  # waits for the new site
        rig.gateway = rig.switch.gateway
        assert rig.gateway.site.former_bag == "large"
        assert len(await rig.ledger(EntryKind.SITE_LOADED)) == 2
        await rig.scan("s1", "A-1")
        await rig.job_in("A-1", "closed", "printed")


async def test_station_with_waiting_labels_is_not_taken_away(tmp_path: Path) -> None:
    async with switched(tmp_path, station("s1"), station("s2")) as rig:
        await rig.act("/v1/stations/s2/hold")
        await rig.scan("s2", "A-1")
        rig.write(station=rig._site["station"][:1])
        answer = await rig.take()
        assert answer.status_code == 409
        assert "Station s2 is no longer in the file" in answer.json()["detail"]
        await rig.act("/v1/stations/s2/release")
        await rig.job_in("A-1", "closed", "printed")


async def test_site_that_does_not_start_gives_way_to_the_old_one(tmp_path: Path) -> None:
    async with switched(tmp_path, station("s1")) as rig:
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            taken.listen()
            port = taken.getsockname()[1]
            rig.write(scanner=[{"id": "x", "station": "s1", "meaning": "order", "port": port}])
            assert (await rig.take()).status_code == 202
        assert rig.switch.last is not None
        assert not rig.switch.last.ok
        assert rig.gateway.site.scanner == ()
        await rig.scan("s1", "A-1")
        await rig.job_in("A-1", "closed", "printed")
        again = (await rig.ledger(EntryKind.SITE_LOADED))[-1]
        assert again.data["reason"] == "the new site did not start"


async def test_streams_end_and_begin_anew(tmp_path: Path) -> None:
    async with switched(tmp_path, station("s1")) as rig:
        async with rig.client.stream("GET", "/floor/live") as stream:
            reading = asyncio.create_task(stream.aread())
            rig.write(former_bag="small")
            assert (await rig.take()).status_code == 202
            await asyncio.wait_for(reading, 20)
        assert (await rig.client.get("/floor")).status_code == 200


async def test_served_without_a_file_there_is_nothing_to_take_up(tmp_path: Path) -> None:
    async with running(tmp_path, station("s1")) as rig:
        assert (await rig.act("/v1/site/reload")).status_code == 409


def test_only_the_listener_and_the_store_need_a_restart() -> None:
    site = Site.model_validate({"name": "a", "gs1": {"company_prefix": "9521234"}, "station": []})
    other = site.model_copy(
        update={
            "name": "b",
            "http": site.http.model_copy(update={"port": 1, "max_body_bytes": 5000}),
            "store": site.store.model_copy(update={"url": "sqlite:///x.db"}),
        }
    )
    told = {one.where: one.needs_restart for one in compare(site, other)}
    assert told == {
        "name": False,
        "http.port": True,
        "http.max_body_bytes": False,
        "store.url": True,
    }


async def test_sighup_takes_the_file_up(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    text = (
        'name = "NAME"\nstation = []\ngs1.company_prefix = "9521234"\naccess.open_door = true\n'
        f'store.url = "sqlite:///{tmp_path / "room.db"}"\n'
    )
    file.write_text(text)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "gateway", "serve", str(file), "--port", str(port)),
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", trust_env=False) as api:

            async def says(wanted: str) -> bool:
                try:
                    return wanted in (await api.get("/floor")).text
                except httpx.TransportError:
                    return False

            await until(lambda: says("NAME"), "the gateway to start")
            file.write_text(text.replace("NAME", "renamed room"))
            os.kill(process.pid, signal.SIGHUP)
            await until(lambda: says("renamed room"), "the new name to show")
            assert process.returncode is None
    finally:
        process.terminate()
        await process.wait()
    assert process.returncode == 0
