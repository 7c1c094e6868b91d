"""What follows when it is known what became of a delivery, whoever says so."""

from pydantic import JsonValue

from gateway.dispatch.row import enter
from gateway.dispatch.supply import count_down
from gateway.store import jobs
from gateway.store.jobs import JobRow
from gateway.store.work import Work
from schemas.ledger import EntryKind
from schemas.station import Station


def bag_came_out(work: Work, station: Station, job: JobRow) -> None:
    """A bag was printed, or is sure to be: it enters the row, and the supply is one less."""
    enter(work, job, station)
    count_down(work, station, jobs.parcel_of(work.conn, job.parcel_id))


def settled(
    work: Work,
    job: JobRow,
    *,
    by: str,
    printed: bool,
    actor: str = "gateway",
    **facts: JsonValue,
) -> None:
    """Record that a doubt is settled: `by` the station, a scan or a person."""
    work.record(
        EntryKind.DOUBT_SETTLED,
        actor=actor,
        order_id=job.order_id,
        parcel_id=job.parcel_id,
        job_id=job.job_id,
        station=job.station,
        facts={"by": by, "printed": printed, **facts},
    )
