"""One step on a store for a command: beside a running gateway, or where none runs.

Each group of steps reads the ledger's end inside its own transaction, so a second writer that
takes its turn for one step changes nothing for the first. Lanes are another matter: only a gateway
that claimed the store sends labels.
"""

from collections.abc import Callable
from typing import TypeVar

from gateway.clock import Clock
from gateway.errors import NotStored
from gateway.store import postgres, sqlite
from gateway.store.migrate import upgrade
from gateway.store.work import LedgerTail, Work

T = TypeVar("T")


def one_step(url: str, clock: Clock, run: Callable[[Work], T]) -> T:
    """Run one step in a transaction of its own; what is returned is durable.

    Tables are brought up to date where no gateway runs: a running one has done so.
    """
    dialect = postgres if url.startswith("postgresql") else sqlite
    engine = dialect.writing_engine(url)
    try:
        try:
            claim = dialect.claim(url)
        except NotStored:  # a gateway runs on it
            claim = None
        else:
            upgrade(engine)
        try:
            with engine.connect() as conn, conn.begin():
                dialect.take_turn(conn)
                work = Work(conn, clock.now(), LedgerTail.read(conn))
                result = run(work)
                work.flush()
                return result
        finally:
            if claim is not None:
                claim.close()
    finally:
        engine.dispose()
