"""PostgreSQL: several gateways, one writer at a time, woken by NOTIFY."""

from collections.abc import Set as AbstractSet
from datetime import datetime
from typing import IO

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine, make_url

from gateway.store.work import Work

CHANNEL = "bagrelay_lanes"
_TURN = 0x6261675F  # any fixed number: the advisory lock that puts writers in a row

LONGEST_TURN_S = 12.0
"""A turn that has lasted longer is ended by whoever waits for the next."""

_WRITER_OPTIONS = "-c idle_in_transaction_session_timeout=5000 -c lock_timeout=15000"
"""A gateway that was stopped amid its turn must not keep the others waiting for ever."""


ALIVE = {
    "connect_timeout": 5,
    "keepalives_idle": 5,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": 10_000,
}
"""A cable that was pulled out says nothing: give the connection up after about 11 s of silence."""


def _engine(url: str, pool_size: int, *, read_only: bool) -> Engine:
    engine = sa.create_engine(
        make_url(url).set(drivername="postgresql+psycopg"),
        pool_size=pool_size,
        max_overflow=0,
        pool_pre_ping=True,
        connect_args={**ALIVE, "options": "" if read_only else _WRITER_OPTIONS},
    )
    if not read_only:
        return engine
    return engine.execution_options(postgresql_readonly=True, isolation_level="REPEATABLE READ")


def writing_engine(url: str) -> Engine:
    """One connection of this process writes; the advisory lock orders the processes."""
    return _engine(url, 1, read_only=False)


def claim(url: str) -> IO[bytes] | None:
    """Nothing to do: leases share the lanes out among the gateways."""
    del url
    return None


def reading_engine(url: str) -> Engine:
    """Connections in read-only transactions, each of which sees one moment."""
    return _engine(url, 4, read_only=True)


_STUCK = sa.text(
    "SELECT pg_terminate_backend(a.pid) FROM pg_locks l JOIN pg_stat_activity a ON a.pid = l.pid"
    " WHERE l.locktype = 'advisory' AND l.granted AND l.objid = CAST(:turn AS oid)"
    " AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database())"
    " AND a.xact_start < clock_timestamp() - make_interval(secs => :longest)"
)


def take_turn(conn: Connection) -> None:
    """Wait for the turn to write, so that the ledger is one chain and no two writers deadlock.

    A gateway that was stopped while half of a statement had left it is not idle to the server, so
    no time limit ends its turn: whoever waits for a turn that has lasted too long ends it.
    """
    if conn.execute(sa.select(sa.func.pg_try_advisory_xact_lock(_TURN))).scalar_one():
        return
    conn.execute(_STUCK, {"turn": _TURN, "longest": LONGEST_TURN_S})
    conn.execute(sa.select(sa.func.pg_advisory_xact_lock(_TURN)))


def announce(conn: Connection, stations: AbstractSet[str]) -> None:
    """Tell the other gateways which lanes have work, as part of the commit."""
    for station in sorted(stations):
        conn.execute(sa.select(sa.func.pg_notify(CHANNEL, station)))


def shared_now(work: Work) -> datetime:
    """The database's clock."""
    now: datetime = work.conn.execute(sa.select(sa.func.clock_timestamp())).scalar_one()
    return now
