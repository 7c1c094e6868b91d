"""A lane whose lease has passed to another gateway writes nothing more, whatever it was about."""

from collections.abc import Callable

import pytest
import sqlalchemy as sa

from adapters.errors import NothingSent
from gateway.dispatch import lane_steps, lease
from gateway.dispatch.lease import Lease, LeaseLost
from gateway.dispatch.machine_hold import _keep as keep_hold
from gateway.store import jobs, tables
from gateway.store.jobs import JobRow
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.job import JobState
from schemas.station import Fate, LineToStation, Receipt, ReceiptStage, Station, StationState
from tests.contract.test_stores import _put_job as put_job
from tests.contract.test_stores import postgres_server, postgres_url, store, url

__all__ = ["postgres_server", "postgres_url", "store", "url"]

_STATION = Station(id="s1", lines=(LineToStation(kind="tcp"),))
_FAULT = NothingSent("nobody there")
Step = Callable[[Work, Lease, JobRow], object]
STEPS: dict[str, Step] = {
    "take": lambda work, held, _: lane_steps.take_next(work, _STATION, held),
    "delivered": lambda work, held, job: lane_steps.delivered(
        work, _STATION, held, job, Receipt(job_id=job.job_id, stage=ReceiptStage.SENT, bytes_sent=1)
    ),
    "failed": lambda work, held, job: lane_steps.failed(work, held, job, JobState.QUEUED, _FAULT),
    "stands": lambda work, held, _: lane_steps.stands(
        work, held, "s1", StationState.FAULTED, "nobody there"
    ),
    "needs a person": lambda work, held, job: lane_steps.needs_person(work, held, job, _FAULT),
    "misconfigured": lambda work, held, job: lane_steps.misconfigured(work, held, job, _FAULT),
    "told its fate": lambda work, held, job: lane_steps.told_fate(
        work, _STATION, held, job, Fate.UNKNOWN_JOB
    ),
    "told to hold": lambda work, held, _: keep_hold(work, held, told=True),
}


def _lease(work: Work, owner: str) -> Lease:
    """Take the lane, as one that finds it free."""
    epochs = lease.renew(work, owner, ["s1"], seconds=6, at=work.now, alone=True)
    return Lease("s1", owner, epochs["s1"], good_until=1e9)


@pytest.mark.parametrize("name", STEPS)
async def test_step_of_a_lane_that_has_passed_on_is_refused(store: Store, name: str) -> None:
    """One that slept wakes with a lease that it believes in; the store knows better."""

    def passed_on(work: Work) -> tuple[Lease, JobRow]:
        put_job(work, "a")
        slept = _lease(work, "sleeper")
        taken = lane_steps.take_next(work, _STATION, slept)
        assert isinstance(taken, lane_steps.Taken)
        _lease(work, "heir")
        return slept, taken.job

    slept, job = await store.write(passed_on)
    before = await store.read(_everything)
    with pytest.raises(LeaseLost):
        await store.write(lambda work: STEPS[name](work, slept, job))
    assert before == await store.read(_everything)


def _everything(conn: sa.Connection) -> object:
    job = jobs.find(conn, "j-a")
    size = conn.execute(sa.select(tables.ledger_head.c.size)).scalar_one()
    stations = conn.execute(sa.select(tables.stations)).all()
    return job, size, stations
