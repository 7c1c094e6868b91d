"""Statements that are run on the driver itself answer as SQLAlchemy's own way does."""

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.clock import SystemClock
from gateway.dispatch.lane_at import lane_at, next_waiting
from gateway.store import jobs, prepared, tables
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.job import JobState
from tests.contract.test_stores import _put_job as put_job
from tests.contract.test_stores import postgres_server, postgres_url, store, url

__all__ = ["postgres_server", "postgres_url", "store", "url"]

_JOBS = sa.select(tables.jobs).where(tables.jobs.c.station == sa.bindparam("station"))
_KEPT = sa.select(
    tables.labels.c.content, tables.labels.c.content.is_not(None), tables.labels.c.created
)
_NUMBERS = sa.select(
    tables.jobs.c.lane_position, sa.literal_column("0.5", sa.Float), sa.literal_column("1.0")
)
_LANE = sa.select(tables.lanes).where(tables.lanes.c.station == sa.bindparam("station"))
_RENAME = (
    sa.update(tables.jobs)
    .where(tables.jobs.c.job_id == sa.bindparam("of_job"))
    .values(note=sa.bindparam("words"), changed=sa.bindparam("moment"))
)


Ask = Callable[[Connection, str], object]
ASKED: dict[str, Ask] = {
    "next": next_waiting,
    "lane": lane_at,
    "open": jobs.open_job,
    "waiting": jobs.waiting,
    "row": jobs.row_of,
    "length": jobs.lane_length,
    "last verified": jobs.last_verified,
    "for a person": lambda conn, _station: jobs.needing_person(conn),
}


async def test_rows_are_those_of_sqlalchemy(store: Store) -> None:
    """Text, instants, bytes, truth and what is absent: read the same on both ways."""

    def both(work: Work) -> None:
        put_job(work, "a")
        put_job(work, "b")
        for statement, values in ((_JOBS, {"station": "s1"}), (_KEPT, {}), (_NUMBERS, {})):
            ours = prepared.rows(work.conn, statement, values)
            assert ours == [tuple(row) for row in work.conn.execute(statement, values)]
            assert len(ours) == 2

    await store.write(both)


async def test_change_is_seen_and_counted(store: Store) -> None:
    """What is written reads back, and a change that finds no row says so."""

    def step(work: Work) -> None:
        put_job(work, "a")
        change = {"of_job": "j-a", "words": "ümlaut", "moment": work.now}
        assert prepared.run(work.conn, _RENAME, change) == 1
        assert prepared.run(work.conn, _RENAME, {**change, "of_job": "j-x"}) == 0
        found = jobs.find(work.conn, "j-a")
        assert found is not None
        assert (found.note, found.changed) == ("ümlaut", work.now)

    await store.write(step)


async def test_glance_sees_every_step_that_returned(store: Store) -> None:
    """On both ways of asking, again and again on the same connection."""
    count = sa.select(sa.func.count()).select_from(tables.jobs)
    for number in range(3):
        await store.write(lambda work, n=number: put_job(work, f"o{n}"))  # type: ignore[misc]
        known = await store.glance(lambda conn, n=number: jobs.find(conn, f"j-o{n}"))  # type: ignore[misc]
        assert known is not None
        assert number + 1 == await store.glance(lambda conn: conn.execute(count).scalar_one())


@pytest.mark.parametrize("name", ASKED)
async def test_next_job_costs_the_same_after_years(tmp_path: Path, name: str) -> None:
    """What a lane did before is not read again to find what it does next."""
    ask, lane = ASKED[name], Store(f"sqlite:///{tmp_path / 'store.db'}", SystemClock())
    lane.start()
    try:
        await lane.write(lambda work: _put_many(work, "young", "s1", 3))
        await _work_of(lane, ask, "s1")  # reads the tables' names, once
        young = await _work_of(lane, ask, "s1")
        await lane.write(lambda work: _put_many(work, "done", "s2", 300, JobState.CLOSED))
        await lane.write(lambda work: _put_many(work, "old", "s2", 3))
        old = await _work_of(lane, ask, "s2")
    finally:
        lane.close()
    assert old < 2 * young


def _put_many(
    work: Work, name: str, station: str, count: int, state: JobState = JobState.QUEUED
) -> None:
    if work.conn.execute(_LANE, {"station": station}).first() is None:
        work.conn.execute(sa.insert(tables.lanes).values(station=station))
    for number in range(count):
        job = put_job(work, f"{name}-{number}", station)
        work.conn.execute(
            sa.update(tables.jobs).where(tables.jobs.c.job_id == job.job_id).values(state=state)
        )


async def _work_of(lane: Store, ask: Ask, station: str) -> int:
    """How many steps SQLite's own machine takes for a question."""

    def counted(conn: Connection) -> int:
        steps = 0

        def step() -> int:
            nonlocal steps
            steps += 1
            return 0

        driver = conn.connection.driver_connection
        assert isinstance(driver, sqlite3.Connection)
        driver.set_progress_handler(step, 1)
        ask(conn, station)
        driver.set_progress_handler(None, 1)
        return steps

    return await lane.read(counted)
