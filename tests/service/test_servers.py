"""The servers that other tests lean on start, keep what they were told, and come back."""

from pathlib import Path
from urllib.parse import urlsplit

import aio_pika
import nats
import paho.mqtt.client as mqtt
import psycopg
import pytest
from rigs.servers import Mosquitto, Nats, Postgres, answers


def _sync(url: str) -> str:
    return url.replace("+psycopg", "")


def test_each_test_gets_an_empty_database(postgres_url: str) -> None:
    """A table of one test is not there in the next."""
    with psycopg.connect(_sync(postgres_url)) as connection:
        tables = connection.execute("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'")
        assert (0,) == tables.fetchone()
        connection.execute("CREATE TABLE t (n int)")


@pytest.mark.parametrize("round_", [1, 2])
def test_database_is_new_each_time(postgres_url: str, round_: int) -> None:
    """The same again: neither round finds the other's table."""
    with psycopg.connect(_sync(postgres_url)) as connection:
        connection.execute("CREATE TABLE t (n int)")


def test_killed_database_keeps_what_was_committed(tmp_path: Path) -> None:
    """A PostgreSQL that is killed and started again still has the row."""
    with Postgres(tmp_path) as server:
        with psycopg.connect(server.dsn("postgres"), autocommit=True) as connection:
            connection.execute("CREATE TABLE t AS SELECT 7 AS n")
        server.kill()
        server.start()
        with psycopg.connect(server.dsn("postgres")) as connection:
            assert (7,) == connection.execute("SELECT n FROM t").fetchone()


async def test_nats_keeps_a_stream_over_a_restart(nats_server: Nats) -> None:
    """What JetStream acknowledged is there after the broker was killed."""
    client = await nats.connect(nats_server.url)
    await client.jetstream().add_stream(name="t", subjects=["t.>"])
    await client.jetstream().publish("t.a", b"1")
    await client.close()
    nats_server.kill()
    nats_server.start()
    client = await nats.connect(nats_server.url)
    assert 1 == (await client.jetstream().stream_info("t")).state.messages
    await client.close()


def test_mosquitto_answers_a_client(mosquitto_server: Mosquitto) -> None:
    """An MQTT 5 client is let in, and not any more once the broker has stopped."""
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    assert mqtt.MQTT_ERR_SUCCESS == client.connect("127.0.0.1", mosquitto_server.port)
    client.disconnect()
    mosquitto_server.stop()
    assert not answers(mosquitto_server.port)


async def test_rabbitmq_answers_a_client(rabbitmq_url: str) -> None:
    """A queue of our own can be declared, on a port that is not the machine's broker's."""
    connection = await aio_pika.connect(rabbitmq_url)
    async with connection:
        channel = await connection.channel()
        queue = await channel.declare_queue(exclusive=True)
        assert queue.name
    assert 5672 != urlsplit(rabbitmq_url).port
