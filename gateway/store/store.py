"""The store: one thread writes, in groups; readers never write."""

import asyncio
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from datetime import datetime
from typing import IO, TYPE_CHECKING, Any, Generic, TypeVar

from sqlalchemy.engine import Connection, Engine
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError, PendingRollbackError
from sqlalchemy.exc import TimeoutError as NoneFree

from gateway.clock import Clock
from gateway.errors import NotStored
from gateway.store import postgres, prepared, sqlite
from gateway.store.migrate import upgrade
from gateway.store.work import Ending, LedgerTail, Work

if TYPE_CHECKING:
    from gateway.store.listening import Listener

T = TypeVar("T")
EVERY_LANE = "*"
"""Told to the lanes after a connection was lost: what was announced meanwhile, nobody heard."""
LARGEST_GROUP = 256
WakeLanes = Callable[[frozenset[str]], None]
Follow = Callable[[Work, Sequence[Mapping[str, object]]], None]
"""Given the entries that a step recorded, in the same transaction."""


@dataclass(slots=True)
class _Step(Generic[T]):
    run: Callable[[Work], T]
    loop: asyncio.AbstractEventLoop
    future: "asyncio.Future[T]"
    result: T | None = None
    error: BaseException | None = None
    endings: Sequence[Ending] = ()


class Store:
    """Durable state behind two methods: `write` a step, `read` something.

    A step that returned is on disk. Steps that wait are committed as one group; one that raises
    is undone alone and its error comes back to its caller.
    """

    def __init__(self, url: str, clock: Clock) -> None:
        self.url = url
        self._clock = clock
        self._dialect = postgres if url.startswith("postgresql") else sqlite
        self._writer: Engine = self._dialect.writing_engine(url)
        self._reader: Engine | None = None
        self._near: Connection | None = None
        self._own: Connection | None = None
        self._steps: queue.SimpleQueue[_Step[Any] | None] = queue.SimpleQueue()
        self._claim: IO[bytes] | None = None
        self._listener: Listener | None = None
        self._thread: threading.Thread | None = None
        self._pool = ThreadPoolExecutor(max_workers=4, thread_name_prefix="store-read")
        self._wake: list[WakeLanes] = []
        self._follow: list[Follow] = []

    @property
    def shared(self) -> bool:
        """Whether several gateways may use this store at once."""
        return self._dialect is postgres

    def shared_now(self, work: Work) -> datetime:
        """The time that all gateways on this store agree on, for leases."""
        now: datetime = self._dialect.shared_now(work)
        return now

    def start(self) -> None:
        """Bring the tables up to date and start the writing thread."""
        self._claim = self._dialect.claim(self.url)
        upgrade(self._writer)
        self._reader = self._dialect.reading_engine(self.url)
        if not self.shared:
            self._near, self._own = self._reader.connect(), self._writer.connect()
        self._thread = threading.Thread(target=self._write_forever, name="store-write", daemon=True)
        self._thread.start()
        if self.shared:
            from gateway.store.listening import Listener

            self._listener = Listener(self.url, self._tell)
            self._listener.start()

    def _tell(self, stations: frozenset[str]) -> None:
        for wake in self._wake:
            wake(stations)

    def on_wake(self, wake: WakeLanes) -> None:
        """Call `wake` with the stations concerned after a commit. Called from any thread."""
        self._wake.append(wake)

    def follow(self, rule: Follow) -> None:
        """Let `rule` see the entries of every step before it commits; it may add to the step."""
        self._follow.append(rule)

    async def write(self, run: Callable[[Work], T]) -> T:
        """Run one step in the writing transaction; returns once it is durable."""
        if self._thread is None:
            raise NotStored("the store is closed", retry_after_s=1)
        loop = asyncio.get_running_loop()
        step: _Step[T] = _Step(run, loop, loop.create_future())
        self._steps.put(step)
        return await asyncio.shield(step.future)

    async def read(self, run: Callable[[Connection], T]) -> T:
        """Run queries on a read-only connection, off the loop; all of them see the same moment.

        Raises `NotStored` while a shared store can't be reached: come again.
        """
        return await asyncio.get_running_loop().run_in_executor(self._pool, self._read, run)

    async def glance(self, run: Callable[[Connection], T]) -> T:
        """Read a few rows by their keys.

        In the loop where the database is a file: to ask another thread would take longer.
        """
        if self._near is None:
            return await self.read(run)
        with self._near.begin():
            return run(self._near)

    def read_now(self, run: Callable[[Connection], T]) -> T:
        """The same for callers without a loop: commands and tests."""
        return self._read(run)

    def close(self) -> None:
        """Write what waits, then let go of every connection and thread."""
        if self._listener is not None:
            self._listener.close()
            self._listener = None
        if self._thread is not None:
            self._steps.put(None)
            self._thread.join()
            self._thread = None
        self._pool.shutdown(wait=True)
        if self._own is not None:
            self._own.close()
            self._own = None
        self._writer.dispose()
        if self._near is not None:
            self._near.close()
            self._near = None
        if self._reader is not None:
            self._reader.dispose()
        if self._claim is not None:
            self._claim.close()
            self._claim = None

    def _read(self, run: Callable[[Connection], T]) -> T:
        assert self._reader is not None, "the store was not started"
        try:
            with self._reader.connect() as conn, conn.begin():
                return run(conn)
        except (OperationalError, InterfaceError, NoneFree) as away:
            if not self.shared:
                raise
            text = f"the store can't be read now: {type(away).__name__}"
            raise NotStored(text, retry_after_s=1) from away

    def _write_forever(self) -> None:
        while (first := self._steps.get()) is not None:
            group, stop = [first], False
            while len(group) < LARGEST_GROUP:
                try:
                    step = self._steps.get_nowait()
                except queue.Empty:
                    break
                if step is None:
                    stop = True
                    break
                group.append(step)
            self._write_group(group)
            if stop:
                return

    def _connected(self) -> AbstractContextManager[Connection]:
        """A file's connection is kept; one to a server is fetched each time, for it may be gone."""
        return nullcontext(self._own) if self._own is not None else self._writer.connect()

    def _write_group(self, group: list[_Step[Any]]) -> None:
        woken: set[str] = set()
        try:
            with self._connected() as conn, conn.begin():
                self._dialect.take_turn(conn)
                work = Work(conn, self._clock.now(), LedgerTail.read(conn))
                if len(group) == 1:
                    _run_only(group[0], work, self._follow)
                else:
                    for step in group:
                        _run_undoably(step, work, self._clock, self._follow)
                work.flush()
                woken = work.woken
                self._dialect.announce(conn, woken)
        except _OnlyOneFailed:
            pass  # it has its error, and with it the transaction is undone
        except (DBAPIError, PendingRollbackError, OSError) as failure:
            undone = NotStored(
                f"the store did not take it: {type(failure).__name__}", retry_after_s=1
            )
            undone.__cause__ = failure
            for step in group:
                step.result, step.error = None, undone
        except BaseException as failure:  # noqa: BLE001 - the thread must live and callers must know
            for step in group:
                step.result, step.error = None, failure
        _answer(group)
        if woken:
            self._tell(frozenset(woken))


def _run(step: _Step[Any], work: Work, follow: Sequence[Follow]) -> None:
    first = len(work.entries)
    try:
        step.result = step.run(work)
        for rule in follow:
            rule(work, work.entries[first:])
    finally:
        step.endings, work.endings = work.endings, []


def _is_away(failure: Exception) -> bool:
    """Whether it is the store that failed, and not the step."""
    if isinstance(failure, (OperationalError, InterfaceError, PendingRollbackError)):
        return True
    return isinstance(failure, DBAPIError) and failure.connection_invalidated


class _OnlyOneFailed(Exception):
    """The only step of a group raised, which undoes all that the group did."""


def _run_only(step: _Step[Any], work: Work, follow: Sequence[Follow]) -> None:
    """Run the only step of a group, which needs no savepoint: with it all is undone."""
    try:
        _run(step, work, follow)
    except Exception as failure:
        if _is_away(failure):
            raise
        step.error = failure
        raise _OnlyOneFailed from failure


def _run_undoably(step: _Step[Any], work: Work, clock: Clock, follow: Sequence[Follow]) -> None:
    """Run one step of several, so that its failure undoes nothing but itself."""
    tail_size, tail_hash = work.tail.size, work.tail.last_hash
    entries, outgoing = len(work.entries), len(work.outgoing)
    work.now = clock.now()
    prepared.plain(work.conn, "SAVEPOINT step")
    try:
        _run(step, work, follow)
        prepared.plain(work.conn, "RELEASE SAVEPOINT step")
    except Exception as failure:
        if _is_away(failure):
            raise
        prepared.plain(work.conn, "ROLLBACK TO SAVEPOINT step")
        prepared.plain(work.conn, "RELEASE SAVEPOINT step")
        work.tail.size, work.tail.last_hash = tail_size, tail_hash
        del work.entries[entries:]
        del work.outgoing[outgoing:]
        step.error = failure


def _answer(group: list[_Step[Any]]) -> None:
    by_loop: dict[asyncio.AbstractEventLoop, list[_Step[Any]]] = {}
    for step in group:
        by_loop.setdefault(step.loop, []).append(step)
    for loop, steps in by_loop.items():
        if not loop.is_closed():
            loop.call_soon_threadsafe(_resolve, steps)


def _resolve(steps: list[_Step[Any]]) -> None:
    for step in steps:
        for tell in step.endings:
            tell(step.error is None)
        if step.future.done():
            continue
        if step.error is not None:
            step.future.set_exception(step.error)
        else:
            step.future.set_result(step.result)
