"""SQLite: one file, one process, one writing connection, full durability."""

import fcntl
from collections.abc import Set as AbstractSet
from datetime import datetime
from pathlib import Path
from typing import IO, Any

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.engine import Connection, Engine, make_url
from sqlalchemy.pool import StaticPool

from gateway.errors import NotStored
from gateway.store import prepared
from gateway.store.work import Work


def file_of(url: str) -> Path:
    """The database file that the URL names."""
    name = make_url(url).database
    if not name or name == ":memory:":
        raise ValueError("the store must be a file: state in memory is lost with the process")
    return Path(name)


def writing_engine(url: str) -> Engine:
    """The one connection that writes. A second writer of the same file waits, then fails."""
    path = file_of(url)
    path.parent.mkdir(parents=True, exist_ok=True)
    engine = sa.create_engine(
        f"sqlite:///{path}",
        poolclass=StaticPool,
        connect_args={"check_same_thread": False, "isolation_level": None, "timeout": 10},
    )

    @event.listens_for(engine, "connect")
    def _durable(connection: Any, _record: object) -> None:
        for pragma in (
            "journal_mode=WAL",
            "synchronous=FULL",
            "foreign_keys=ON",
            "temp_store=MEMORY",
            "wal_autocheckpoint=2000",
        ):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _take_the_write_lock(conn: Connection) -> None:
        prepared.plain(conn, "BEGIN IMMEDIATE")

    return engine


def claim(url: str) -> IO[bytes] | None:
    """Keep every other gateway off this file, for as long as the answer stays open.

    Two gateways on one file would each send what waits. Raises `NotStored` where one runs.
    """
    lock = file_of(url).with_suffix(".lock").open("ab")
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        raise NotStored(
            f"Another gateway runs on {file_of(url)}: stop it, or give each site its own file."
        ) from None
    return lock


def reading_engine(url: str) -> Engine:
    """Connections that the database itself keeps from writing; a transaction sees one moment."""
    path = file_of(url)
    engine = sa.create_engine(
        f"sqlite:///file:{path}?mode=ro&uri=true",
        connect_args={"check_same_thread": False, "isolation_level": None, "timeout": 10},
        pool_size=4,
    )

    @event.listens_for(engine, "begin")
    def _begin(conn: Connection) -> None:
        prepared.plain(conn, "BEGIN")

    return engine


def take_turn(conn: Connection) -> None:
    """Nothing to do: BEGIN IMMEDIATE has the only write lock."""
    del conn


def announce(conn: Connection, stations: AbstractSet[str]) -> None:
    """Nothing to do: there is no other process to tell."""
    del conn, stations


def shared_now(work: Work) -> datetime:
    """This process's own clock: nobody shares the file."""
    return work.now
