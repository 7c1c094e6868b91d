"""Connections to PostgreSQL give a silent network up, instead of waiting as long as TCP would."""

import socket

import psycopg
from sqlalchemy import text

from gateway.store import postgres


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
