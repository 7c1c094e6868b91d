"""What people do: release, settle, void, reprint, cancel, move, repair. Each a step of its own."""

from sqlalchemy.engine import Connection

from gateway.dispatch import holds
from gateway.dispatch.moves import move
from gateway.dispatch.outcome import bag_came_out, settled
from gateway.dispatch.row import tell_load_now
from gateway.dispatch.supply import now_at
from gateway.errors import NotAllowedNow, NotFound
from gateway.intake.labelling import Labeller, NoLabel, ReadyLabel
from gateway.intake.pack import Packer
from gateway.intake.queueing import queue_job, queue_parcels, store_order
from gateway.intake.serials import Serials
from gateway.store import jobs, orders
from gateway.store.jobs import JobRow
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.decision import Decision, Outcome
from schemas.desk import Answer, RowRepair, RowRepairPlan
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.order import Order
from schemas.scan import ScanVerdict
from schemas.site import Site
from schemas.station import Station


class Desk:
    """The actions of people on jobs and stations. Two people at once: the second is told so."""

    def __init__(
        self,
        *,
        site: Site,
        store: Store,
        packer: Packer,
        labeller: Labeller,
        serials: Serials,
    ) -> None:
        self._stations = {station.id: station for station in site.station}
        self._store = store
        self._packer = packer
        self._labeller = labeller
        self._serials = serials

    async def release(self, station: str, reason: str, by: str) -> None:
        """Let a held station go on."""
        self._station(station)
        await self._store.write(lambda work: holds.release(work, station, reason, by))

    async def hold(self, station: str, reason: str, by: str) -> None:
        """Hold a station by hand."""
        self._station(station)

        def step(work: Work) -> None:
            if not holds.open_hold(work, station, "by_hand", f"{by}: {reason}", actor=by):
                raise NotAllowedNow(f"Station {station} is held already.")

        await self._store.write(step)

    async def settle(self, job_id: str, answer: Answer, reason: str, by: str) -> None:
        """Answer the question of a job in doubt, refused or stale."""
        await self._store.write(lambda work: self._settle(work, job_id, answer, reason, by))

    def _settle(self, work: Work, job_id: str, answer: Answer, reason: str, by: str) -> None:
        job = _job(work, job_id)
        to = _ANSWERS.get((job.state, answer))
        if to is None:
            fitting = [a.value for (state, a) in _ANSWERS if state is job.state]
            raise NotAllowedNow(
                f"Job {job_id} is {job.state}; {answer.value!r} doesn't answer that. "
                f"Fitting answers: {', '.join(fitting) or 'none, it waits for nobody'}."
            )
        moved = move(work, job, to, f"{by}: {reason}", actor=by)
        if job.state is not JobState.IN_DOUBT:
            return
        printed = answer is not Answer.NOT_PRINTED
        settled(work, job, by="person", printed=printed, actor=by, reason=reason)
        if to is JobState.PRINTED:
            bag_came_out(work, self._station(job.station), moved)

    async def void(self, job_id: str, reason: str, by: str) -> None:
        """The bag must not leave: its job is void, and its label an old label from now on."""

        def step(work: Work) -> None:
            job = _job(work, job_id)
            if job.state is JobState.IN_DOUBT:
                self._settle(work, job_id, Answer.THROWN_AWAY, reason, by)
            else:
                move(work, job, JobState.VOID, f"{by}: {reason}", actor=by)

        await self._store.write(step)

    async def cancel(self, job_id: str, reason: str, by: str) -> None:
        """Never print it."""
        await self._store.write(
            lambda work: move(
                work, _job(work, job_id), JobState.CANCELLED, f"{by}: {reason}", actor=by
            )
        )

    async def reprint(self, job_id: str, reason: str, by: str) -> str:
        """Print a parcel's label again, as a new job; the old one must be void or cancelled.

        Our own label gets a new SSCC, so that the old one can't pass for it. A supplied label is
        the same bytes: only the WMS can make another.
        """
        old, order, decision = await self._store.read(lambda conn: _story(conn, job_id))
        label = await self._fresh_label(old, order, decision)

        def step(work: Work) -> str:
            job = _job(work, job_id)
            if job.state not in (JobState.VOID, JobState.CANCELLED):
                raise NotAllowedNow(
                    f"Job {job_id} is {job.state}. Void it first: two good labels must not exist."
                )
            _no_other_live(work, job)
            return queue_job(
                work,
                order,
                job.parcel_id,
                job.station,
                label,
                reprint_of=job_id,
                reason=reason,
                actor=by,
            )

        return await self._store.write(step)

    async def _fresh_label(self, old: JobRow, order: Order, decision: Decision) -> ReadyLabel:
        station = self._station(old.station)
        mine, jobs_before = await self._store.read(
            lambda conn: (
                next(
                    row
                    for row in orders.parcels_of(conn, old.order_id)
                    if row.parcel_id == old.parcel_id
                ),
                len(jobs.of_parcel(conn, old.parcel_id)),
            )
        )
        if order.labels:
            order = order.model_copy(update={"labels": (order.labels[mine.number - 1],)})
        one = decision.model_copy(update={"parcels": (mine.parcel,), "outcome": Outcome.PACKED})
        serials = await self._serials.take(self._labeller.needs_serials(order, one))
        try:
            return self._labeller.labels(
                order, one, station, serials, reprint=jobs_before, place=(mine.number, mine.of)
            )[0]
        except NoLabel as refused:
            raise NotAllowedNow(f"The label can't be made again: {refused.reason.text}") from None

    async def move_order(self, order_id: str, to_station: str, reason: str, by: str) -> None:
        """Take an order's waiting jobs to another station; its bags are decided anew there."""
        target = self._station(to_station)
        order = await self._store.read(lambda conn: _order(conn, order_id))
        station = await self._store.read(lambda conn: now_at(conn, target))
        packed = await self._packer.prepare(
            order, station, order.scan_code or order_id, None, today=self._packer.today()
        )
        if packed.decision.outcome is Outcome.MANUAL:
            why = "; ".join(reason.text for reason in packed.decision.reasons)
            raise NotAllowedNow(f"{to_station} can't take order {order_id}. {why}")

        def step(work: Work) -> None:
            waiting = [
                job
                for job in jobs.of_order(work.conn, order_id)
                if job.state not in (JobState.VOID, JobState.CANCELLED)
            ]
            printed = [
                job.job_id
                for job in waiting
                if job.state not in (JobState.QUEUED, JobState.STALE, JobState.REFUSED)
            ]
            if printed or not waiting:
                raise NotAllowedNow(
                    f"Order {order_id} can't be moved: "
                    + (
                        f"printed or being sent: {', '.join(printed)}."
                        if printed
                        else "nothing waits."
                    )
                )
            for job in waiting:
                move(
                    work,
                    job,
                    JobState.CANCELLED,
                    f"moved to {to_station}; {by}: {reason}",
                    actor=by,
                )
            store_order(work, packed, to_station, None, by)
            queue_parcels(work, packed, to_station)

        await self._store.write(step)

    async def repair_plan(self, station: str) -> RowRepairPlan:
        """After a shift: which bags are gone, and what is to be voided and printed again."""
        self._station(station)
        return await self._store.read(lambda conn: _plan(conn, station))

    async def repair(self, station: str, repair: RowRepair) -> list[str]:
        """Carry out the plan that a person approved; refused if the row has changed since."""
        fresh: dict[str, tuple[Order, ReadyLabel]] = {}
        for job_id in repair.void:
            old, order, decision = await self._store.read(
                lambda conn, job_id=job_id: _story(conn, job_id)  # type: ignore[misc]
            )
            fresh[job_id] = order, await self._fresh_label(old, order, decision)
        return await self._store.write(
            lambda work: _repair(work, self._station(station), repair, fresh)
        )

    def _station(self, name: str) -> Station:
        station = self._stations.get(name)
        if station is None:
            raise NotFound(f"There is no station {name!r}.")
        return station


_ANSWERS = {
    (JobState.IN_DOUBT, Answer.PRINTED): JobState.PRINTED,
    (JobState.IN_DOUBT, Answer.NOT_PRINTED): JobState.QUEUED,
    (JobState.IN_DOUBT, Answer.THROWN_AWAY): JobState.VOID,
    (JobState.REFUSED, Answer.SEND_AGAIN): JobState.QUEUED,
    (JobState.REFUSED, Answer.GIVE_UP): JobState.CANCELLED,
    (JobState.STALE, Answer.SEND_AGAIN): JobState.QUEUED,
    (JobState.STALE, Answer.GIVE_UP): JobState.CANCELLED,
}


def _job(work: Work, job_id: str) -> JobRow:
    job = jobs.find(work.conn, job_id)
    if job is None:
        raise NotFound(f"There is no job {job_id!r}.")
    return job


def _no_other_live(work: Work, job: JobRow) -> None:
    """No second good label for the same goods, be they in this parcel or packed anew."""
    others = [
        other
        for other in jobs.of_order(work.conn, job.order_id)
        if other.state not in (JobState.VOID, JobState.CANCELLED)
    ]
    same = [other for other in others if other.parcel_id == job.parcel_id]
    if same:
        raise NotAllowedNow(
            f"Parcel {job.parcel_id} has a label in work already: job {same[0].job_id} "
            f"is {same[0].state}."
        )
    # parcels of one decision share one instant, so this needs no clock that only goes forward
    made = {row.parcel_id: row.created for row in orders.parcels_of(work.conn, job.order_id)}
    anew = [other for other in others if made[other.parcel_id] != made[job.parcel_id]]
    if anew:
        raise NotAllowedNow(
            f"Order {job.order_id} was packed anew since: job {anew[0].job_id} is "
            f"{anew[0].state}. Reprint that one, or void it first."
        )


def _order(conn: Connection, order_id: str) -> Order:
    row = orders.find(conn, order_id)
    if row is None:
        raise NotFound(f"There is no order {order_id!r}.")
    if row.content is None:
        raise NotAllowedNow(f"The content of order {order_id} was erased when its time was up.")
    return Order.model_validate_json(row.content)


def _story(conn: Connection, job_id: str) -> tuple[JobRow, Order, Decision]:
    job = jobs.find(conn, job_id)
    if job is None:
        raise NotFound(f"There is no job {job_id!r}.")
    row = orders.find(conn, job.order_id)
    assert row is not None
    return job, _order(conn, job.order_id), row.decision


def _repair(
    work: Work, place: Station, repair: RowRepair, fresh: dict[str, tuple[Order, ReadyLabel]]
) -> list[str]:
    """Void, print again, move the row up and let the station go on: all of it or nothing."""
    station = place.id
    plan = _plan(work.conn, station)
    if repair.void != plan.void:
        raise NotAllowedNow("The row has changed since the plan was shown. Look again.")
    why = f"row repaired; {repair.by}: {repair.reason}"
    again: list[str] = []
    for job_id in plan.void:
        job = _job(work, job_id)
        move(work, job, JobState.VOID, why, actor=repair.by)
        order, label = fresh[job_id]
        again.append(
            queue_job(
                work,
                order,
                job.parcel_id,
                station,
                label,
                reprint_of=job_id,
                reason=why,
                actor=repair.by,
                in_place_of=job,  # its goods are at the station: before all that still waits
            )
        )
    # the bag that was scanned stands at the loading position, those behind it as far as before
    left = jobs.row_of(work.conn, station)
    steps = left[0].row_position or 0
    for job in left:
        assert job.row_position is not None
        jobs.place_in_row(work.conn, job.job_id, job.row_position - steps)
    tell_load_now(work, place)
    work.record(
        EntryKind.ROW_REPAIRED,
        actor=repair.by,
        station=station,
        void=list(plan.void),
        reprinted=list(again),
        reason=repair.reason,
    )
    holds.release(work, station, why, repair.by)
    return again


def _plan(conn: Connection, station: str) -> RowRepairPlan:
    held = holds.open_of(conn, station)
    if held is None or held.scan is None or held.scan.verdict is not ScanVerdict.SHIFTED:
        raise NotAllowedNow(f"Station {station} isn't held because of a shifted row.")
    row = jobs.row_of(conn, station)
    scanned = next(
        (place for place, job in enumerate(row) if held.scan.code in job.expected_scans), None
    )
    if scanned is None:
        raise NotAllowedNow("The bag that was scanned is no longer in the row. Look again.")
    gone = row[:scanned]
    return RowRepairPlan(
        station=station,
        void=tuple(job.job_id for job in gone),
        orders=tuple(job.order_id for job in gone),
        next_to_load=row[scanned].order_id,
        text=(
            f"The printed bags of order {', '.join(job.order_id for job in gone)} are gone. "
            f"Take the goods out of the bag at the loading position: it belongs to order "
            f"{row[scanned].order_id}. The missing ones are voided and printed again."
        ),
    )
