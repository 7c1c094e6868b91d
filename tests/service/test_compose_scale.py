"""What docker/compose.scale.yaml starts works together: its commands, health checks and site file.

There is no container engine here, so each container's own command runs as a process on loopback:
the gateways and the room from this tree, NATS and PostgreSQL from the tests' packages. Names of
containers become addresses, and volumes folders. What only an engine can show stays open: building
the image, its users and rights, the network between containers, and the published images.
"""

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest
import yaml

from tests.rigs.gateway_process import lasting_port
from tests.rigs.servers import Postgres, program
from tests.rigs.shared_site import scan_event

ROOT = Path(__file__).parents[2]
COMPOSE = yaml.safe_load((ROOT / "docker" / "compose.scale.yaml").read_text(encoding="utf-8"))
SERVICES: dict[str, dict[str, Any]] = COMPOSE["services"]
PATIENCE_S = 60.0

pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]


@dataclass(frozen=True)
class Standing:
    """The composition as processes: where each container's ports are, and the site file."""

    ports: dict[str, int]
    site: Path
    gateways: dict[str, "subprocess.Popen[bytes]"]
    healthy: Callable[[str], bool]


@pytest.fixture
def standing(postgres_server: Postgres, tmp_path: Path) -> Iterator[Standing]:
    """Everything started in the order of the file, each once what it leans on is healthy."""
    database = postgres_server.new_database()
    with psycopg.connect(postgres_server.dsn("postgres"), autocommit=True) as conn:
        conn.execute("CREATE ROLE bagrelay LOGIN SUPERUSER")
    ports = {name: lasting_port() for name in SERVICES} | {"database": postgres_server.port}
    ports |= {name: lasting_port() for name in ("8222", "9111", "9112", "9113")}
    site = tmp_path / "site.toml"
    site.write_text(_on_loopback(ports, database, tmp_path), encoding="utf-8")
    started: dict[str, subprocess.Popen[bytes]] = {}

    def start(name: str, *command: str) -> None:
        with (tmp_path / f"{name}.log").open("wb") as log:
            started[name] = subprocess.Popen(command, cwd=tmp_path, stdout=log, stderr=log)

    def healthy(name: str) -> bool:
        check = [_moved(word, name, ports, site) for word in _health(name)]
        if check[0] == "pg_isready":
            check = [postgres_server.tool("pg_isready"), f"--port={ports[name]}", *check[1:]]
        check[0] = sys.executable if check[0] == "python" else check[0]
        return subprocess.run(check, check=False, capture_output=True, timeout=20).returncode == 0

    try:
        for name in ("database", "broker", "room", "gateway-1", "gateway-2"):
            said = [
                _moved(str(word), name, ports, site) for word in SERVICES[name].get("command", [])
            ]
            if name == "broker":
                said[said.index("/data")] = str(tmp_path / "jetstream")
                start(
                    name, program("nats-server"), *said, "-a", "127.0.0.1", "-p", str(ports[name])
                )
            elif name == "room":
                start(name, sys.executable, str(ROOT / "examples" / "room.py"), *said)
            elif name != "database":
                start(name, sys.executable, "-m", "gateway", *said, "--port", str(ports[name]))
            _wait(lambda name=name: healthy(name), f"{name} to be healthy")  # type: ignore[misc]
        yield Standing(ports, site, started, healthy)
    finally:
        for process in started.values():
            process.terminate()
        for process in started.values():
            process.wait(60)
        postgres_server.drop_database(database)
        with psycopg.connect(postgres_server.dsn("postgres"), autocommit=True) as conn:
            conn.execute("DROP ROLE bagrelay")


def _on_loopback(ports: dict[str, int], database: str, folder: Path) -> str:
    text = (ROOT / "docker" / "room.scale.toml").read_text(encoding="utf-8")
    for old, new in {
        "@database/bagrelay": f"@127.0.0.1:{ports['database']}/{database}",
        "broker:4222": f"127.0.0.1:{ports['broker']}",
        'host = "room"': 'host = "127.0.0.1"',
        "/var/lib/bagrelay": str(folder),
        **{port: str(ports[port]) for port in ("9111", "9112", "9113")},
    }.items():
        assert old in text, old
        text = text.replace(old, new)
    return text


def _moved(word: str, name: str, ports: dict[str, int], site: Path) -> str:
    """A word of a command, with the container's places turned into ours."""
    for old, new in {
        "/etc/bagrelay/site.toml": str(site),
        "0.0.0.0": "127.0.0.1",
        ":8080": f":{ports[name]}",
        **{port: str(ports[port]) for port in ("8222", "9111")},
    }.items():
        word = word.replace(old, new)
    return word


def _health(name: str) -> list[str]:
    """The health check of a container, without its first word; the image's where it has none."""
    own = SERVICES[name].get("healthcheck")
    if own:
        return [str(word) for word in own["test"][1:]]
    dockerfile = (ROOT / "docker" / "Dockerfile").read_text(encoding="utf-8")
    line = dockerfile.partition("HEALTHCHECK")[2].partition("CMD ")[2].splitlines()[0]
    return [str(word) for word in yaml.safe_load(line)]


def _wait(look: Callable[[], bool], what: str) -> None:
    ends = time.monotonic() + PATIENCE_S
    while time.monotonic() < ends:
        if look():
            return
        time.sleep(0.1)
    raise AssertionError(f"waited {PATIENCE_S:g} s for {what}")


def test_composition_packs_and_survives_the_loss_of_a_gateway(standing: Standing) -> None:
    """Closed to whoever shows no key; an order handed to either gateway is printed; when the one
    that sends is stopped the other sends."""
    made = subprocess.run(
        [sys.executable, "-m", "gateway", "access", "key", "new", "Tester", "--role", "supervisor",
         "--site", str(standing.site)],
        check=True, capture_output=True, text=True, cwd=ROOT,
    )  # fmt: skip
    key = next(word for word in made.stdout.split() if word.startswith("bgr_"))
    urls = {name: f"http://127.0.0.1:{standing.ports[name]}" for name in ("gateway-1", "gateway-2")}

    def ask(name: str, path: str) -> Any:
        return httpx.get(urls[name] + path, headers={"authorization": f"Bearer {key}"}).json()

    def scan(name: str, order_id: str) -> int:
        return httpx.post(
            f"{urls[name]}/v1/events",
            json=scan_event("bench-1", order_id),
            headers={
                "authorization": f"Bearer {key}", "content-type": "application/cloudevents+json",
            },
        ).status_code  # fmt: skip

    def printed(name: str, order_id: str) -> Callable[[], bool]:
        def look() -> bool:
            parcels = ask(name, f"/v1/orders/{order_id}").get("parcels", [])
            states = [job["state"] for parcel in parcels for job in parcel["jobs"]]
            return bool(states) and states[0] in ("printed", "closed")

        return look

    assert 401 == httpx.get(f"{urls['gateway-1']}/v1/stations").status_code
    assert 202 == scan("gateway-2", "o1")
    _wait(printed("gateway-1", "o1"), "the first order's label")
    standing.gateways["gateway-1"].terminate()
    standing.gateways["gateway-1"].wait(60)
    assert 202 == scan("gateway-2", "o2")
    _wait(printed("gateway-2", "o2"), "the label of an order after the loss")
    assert not standing.healthy("gateway-1")
    assert standing.healthy("gateway-2")
