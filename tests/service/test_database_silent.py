"""Connections to PostgreSQL give a silent network up, instead of waiting as long as TCP would."""

import asyncio
import socket
import time

import psycopg
import pytest
from sqlalchemy import text

from gateway.clock import SystemClock
from gateway.errors import NotStored
from gateway.store import postgres
from gateway.store.store import Store
from gateway.store.work import Work


def _limits(connection: psycopg.Connection[object]) -> tuple[int, int, int, int]:
    with socket.socket(fileno=socket.dup(connection.pgconn.socket)) as sock:
        tcp = socket.IPPROTO_TCP
        return (
            sock.getsockopt(tcp, socket.TCP_KEEPIDLE),
            sock.getsockopt(tcp, socket.TCP_KEEPINTVL),
            sock.getsockopt(tcp, socket.TCP_KEEPCNT),
            sock.getsockopt(tcp, socket.TCP_USER_TIMEOUT),
        )


def test_connections_probe_a_silent_peer(postgres_url: str) -> None:
    """The socket's own options: probed after 5 s, given up 6 s later, unanswered data after 10 s.

    Linux's default is two hours and about a quarter of one (tcp(7)).
    """
    for make in (postgres.writing_engine, postgres.reading_engine):
        engine = make(postgres_url)
        with engine.connect() as conn:
            conn.execute(text("SELECT 1"))
            driver = conn.connection.driver_connection
            assert isinstance(driver, psycopg.Connection)
            assert (5, 2, 3, 10_000) == _limits(driver)
        engine.dispose()


async def test_turn_of_a_gateway_that_was_stopped_is_ended(
    postgres_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that was stopped amid a statement holds the turn to write, and no limit of the server
    ends it: whoever waits does. A turn that is merely long is waited for.
    """
    store = Store(postgres_url, SystemClock())
    await asyncio.to_thread(store.start)
    with psycopg.connect(postgres_url.replace("+psycopg", "")) as stopped:
        try:
            stopped.execute("SELECT pg_advisory_xact_lock(%s)", (postgres._TURN,))
            waits = asyncio.ensure_future(store.write(lambda work: work.next_number("case")))
            await asyncio.sleep(0.5)
            assert not waits.done()
            stopped.rollback()
            first = await asyncio.wait_for(waits, 10)
            stopped.execute("SELECT pg_advisory_xact_lock(%s)", (postgres._TURN,))
            await asyncio.sleep(0.5)
            monkeypatch.setattr(postgres, "LONGEST_TURN_S", 0.2)
            write = store.write(lambda work: work.next_number("case"))
            assert first + 1 == await asyncio.wait_for(write, 10)
            with pytest.raises(psycopg.OperationalError):
                stopped.execute("SELECT 1")
        finally:
            await asyncio.to_thread(store.close)


async def test_turn_that_the_server_ended_is_a_store_that_took_nothing(
    postgres_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A gateway that paused amid its turn: its callers try again, alone or several at once."""
    impatient = "-c idle_in_transaction_session_timeout=100 -c lock_timeout=15000"
    monkeypatch.setattr(postgres, "_WRITER_OPTIONS", impatient)
    store = Store(postgres_url, SystemClock())
    await asyncio.to_thread(store.start)

    def paused(work: Work) -> int:
        time.sleep(0.5)
        return work.next_number("case")

    try:
        for many in (1, 3):
            steps = [store.write(paused) for _ in range(many)]
            ended = await asyncio.gather(*steps, return_exceptions=True)
            assert ended
            assert all(isinstance(one, NotStored) for one in ended), ended
        assert await store.write(lambda work: work.next_number("case")) > 0
    finally:
        await asyncio.to_thread(store.close)
