"""Each real broker in turn for a test, with the site file's section for it."""

import os
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.contract.broker_clients import Reader, publish
from tests.rigs.servers import Mosquitto, Nats, NotInstalled, RabbitMq, Server


@dataclass(frozen=True)
class Brokered:
    """A broker and the names of one queue on it."""

    kind: str
    server: Server
    url: str
    section: dict[str, Any]

    async def put(self, *bodies: bytes) -> None:
        """Publish for the gateway to take."""
        await publish(self.url, self.section["take_from"], *bodies)

    def reader(self, what: str) -> Reader:
        """Read an address of the queue from outside: `send_to` or `dead`."""
        return Reader(self.url, self.section[what])


def started(make: Callable[[Path], Server], folder: Path) -> Iterator[Server]:
    """A server that runs; skipped with the reason where it can't, which CI doesn't allow."""
    try:
        server = make(folder)
        server.start()
    except NotInstalled as missing:
        if os.environ.get("CI"):
            pytest.fail(f"{missing}, and CI must have it")
        pytest.skip(str(missing))
    try:
        yield server
    finally:
        server.close()


@pytest.fixture(scope="module")
def rabbit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """Takes seconds to start, so once a module; a test may kill it and starts it again."""
    yield from started(RabbitMq, tmp_path_factory.mktemp("rabbitmq"))


@pytest.fixture(params=["nats", "rabbitmq", "mqtt"])
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Brokered]:
    """Each kind in turn."""
    kind: str = request.param
    if kind == "rabbitmq":
        yield brokered(kind, request.getfixturevalue("rabbit"))
        return
    folder = tmp_path / "broker"
    folder.mkdir()
    for server in started(Nats if kind == "nats" else Mosquitto, folder):
        yield brokered(kind, server)


def brokered(kind: str, server: Server) -> Brokered:
    """Names that no other test has."""
    url = str(server.url)  # type: ignore[attr-defined]
    name = secrets.token_hex(4)
    section = {
        "id": f"q{name}",
        "url": url.replace("guest:guest@", ""),
        "take_from": f"in.{name}",
        "send_to": f"out.{name}",
        "dead": f"dead.{name}",
    }
    return Brokered(kind, server, url, section)
