"""What is read together is of one moment: no query sees a commit that the one before did not."""

import asyncio
import threading

import pytest
from sqlalchemy.engine import Connection

from gateway.store import jobs
from gateway.store.store import Store
from gateway.store.work import Work
from tests.contract.test_stores import _put_job as put_job
from tests.contract.test_stores import postgres_server, postgres_url, store, url

__all__ = ["postgres_server", "postgres_url", "store", "url"]


@pytest.mark.parametrize("way", ["read", "glance"])
async def test_step_that_commits_between_two_queries_is_seen_by_neither(
    store: Store, way: str
) -> None:
    """Else a job on its way from the lane to the row would be in none of the two."""
    go, committed = threading.Event(), threading.Event()

    def told(stations: frozenset[str]) -> None:
        if "s1" in stations:
            committed.set()

    def step(work: Work) -> None:
        assert go.wait(10)
        put_job(work, "a")
        work.wake("s1")

    def look_twice(conn: Connection) -> tuple[int, int]:
        before = jobs.lane_length(conn, "s1")
        go.set()
        assert committed.wait(10)
        return before, jobs.lane_length(conn, "s1")

    store.on_wake(told)
    written = asyncio.create_task(store.write(step))
    await asyncio.sleep(0)
    ask = getattr(store, way)
    assert (0, 0) == await ask(look_twice)
    await written
    assert 1 == await ask(lambda conn: jobs.lane_length(conn, "s1"))
