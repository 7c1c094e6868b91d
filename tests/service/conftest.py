"""Servers that service tests talk to: started once, let go of at the end, never the machine's own.

Where a server can't be started here a test is skipped with the reason; in CI that is a failure.
"""

import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from rigs.servers import Mosquitto, Nats, NotInstalled, Postgres, RabbitMq, Server

Kind = TypeVar("Kind", bound=Server)


def _running(make: Callable[[Path], Kind], folder: Path) -> Iterator[Kind]:
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


@pytest.fixture(scope="session")
def postgres_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Postgres]:
    """A PostgreSQL for the whole run. Don't stop it: use `with Postgres(tmp_path)` for that."""
    yield from _running(Postgres, tmp_path_factory.mktemp("postgres"))


@pytest.fixture
def postgres_url(postgres_server: Postgres) -> Iterator[str]:
    """An empty database of its own for one test, as a store URL."""
    name = postgres_server.new_database()
    yield f"postgresql+psycopg://postgres@127.0.0.1:{postgres_server.port}/{name}"
    postgres_server.drop_database(name)


@pytest.fixture
def nats_server(tmp_path: Path) -> Iterator[Nats]:
    """A NATS with JetStream of its own; it may be stopped and started again."""
    yield from _running(Nats, tmp_path)


@pytest.fixture
def nats_url(nats_server: Nats) -> str:
    """Where that NATS listens."""
    return nats_server.url


@pytest.fixture
def mosquitto_server(tmp_path: Path) -> Iterator[Mosquitto]:
    """An MQTT broker of its own; it may be stopped and started again."""
    yield from _running(Mosquitto, tmp_path)


@pytest.fixture
def mosquitto_url(mosquitto_server: Mosquitto) -> str:
    """Where that broker listens."""
    return mosquitto_server.url


@pytest.fixture(scope="session")
def rabbitmq_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RabbitMq]:
    """A RabbitMQ for the whole run, since it takes seconds to start; name your own queues."""
    yield from _running(RabbitMq, tmp_path_factory.mktemp("rabbitmq"))


@pytest.fixture
def rabbitmq_url(rabbitmq_server: RabbitMq) -> str:
    """Where that RabbitMQ listens."""
    return rabbitmq_server.url
