"""A job is taken for an idle lane in the step that queues it; what may come between these."""

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.exc import OperationalError

from gateway.dispatch.handover import Handed, Handover
from gateway.store.work import Work
from schemas.ledger import EntryKind
from tests.service.gateway_rig import Rig, order, running, sees, station


async def _printed_once(rig: Rig, *orders: str) -> None:
    wanted = [await rig.code_of(name) for name in orders]
    assert wanted == [codes[0] for codes in rig.stations["s1"].printed_codes]


async def _idle(rig: Rig) -> None:
    lane = rig.gateway.dispatcher._lanes["s1"]

    def idle() -> bool:
        return lane._handover._idle and lane._watch.due_in_s() > 1

    await sees(idle, "the lane to be idle, and its station to have been looked at")


async def test_idle_lane_takes_the_job_in_the_step_that_queues_it(tmp_path: Path) -> None:
    """One step has one instant: the entries of queueing and of taking bear the same."""
    async with running(tmp_path, station("s1")) as rig:
        for name in ("o1", "o2"):
            await _idle(rig)
            await rig.scan("s1", name)
            await rig.job_in(name, "printed")
        created = {e.job_id: e.time for e in await rig.ledger(EntryKind.JOB_CREATED)}
        taken = {
            e.job_id: e.time
            for e in await rig.ledger(EntryKind.JOB_MOVED)
            if e.data["to"] == "sending"
        }
        assert created == taken
        await _printed_once(rig, "o1", "o2")


async def test_busy_lane_keeps_its_order(tmp_path: Path) -> None:
    """What comes while a label is sent waits its turn."""
    async with running(tmp_path, station("s1"), machines={"s1": {"print_s": 0.05}}) as rig:
        names = [f"o{number}" for number in range(8)]
        await asyncio.gather(*(rig.scan("s1", name) for name in names))
        for name in names:
            await rig.job_in(name, "printed", "closed")
        queued = [e.order_id for e in await rig.ledger(EntryKind.JOB_CREATED)]
        await _printed_once(rig, *(str(name) for name in queued))


async def test_commit_that_fails_hands_nothing_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The scan is refused and nothing is sent; the same scan again prints once."""
    real, refusals = Work.flush, [1, 2]

    def full(work: Work) -> None:
        if refusals and any(entry["kind"] == EntryKind.JOB_CREATED for entry in work.entries):
            refusals.pop()
            raise OperationalError("INSERT", {}, Exception("database or disk is full"))
        real(work)

    monkeypatch.setattr(Work, "flush", full)
    async with running(tmp_path, station("s1")) as rig:
        await _idle(rig)
        event = rig.event("order.scanned", "s1", code="o1", order=order("o1"))
        assert [503, 503, 202] == [(await rig.post(event)).status_code for _ in range(3)]
        await rig.job_in("o1", "printed")
        assert ["sending", "printed"] == await rig.moves("o1")
        await _printed_once(rig, "o1")


async def test_lane_that_stops_meanwhile_gives_the_job_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stop between the commit and the send: nothing was sent, so the job waits and is printed
    once by the gateway that starts next, and nobody is asked.
    """
    real = Handover._hear

    def stopped(self: Handover, handed: Handed | None) -> None:
        for lane in rig.gateway.dispatcher._lanes.values():
            lane.stop()
        real(self, handed)

    async with running(tmp_path, station("s1")) as rig:
        await _idle(rig)
        monkeypatch.setattr(Handover, "_hear", stopped)
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "queued")
        assert ["sending", "queued"] == await rig.moves("o1")
        monkeypatch.undo()
        await rig.stop_gateway()
        await rig.start_gateway()
        await rig.job_in("o1", "printed")
        await _printed_once(rig, "o1")


async def test_wake_that_brings_nothing_to_take_costs_no_step(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A held lane, and one that is empty after its label, are looked at without a write."""
    async with running(tmp_path, station("s1")) as rig:
        store, steps = rig.gateway.store, []
        real = store.write

        async def counted(run: Callable[[Work], Any]) -> Any:
            steps.append(run.__qualname__)
            return await real(run)

        monkeypatch.setattr(store, "write", counted)
        await _idle(rig)
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "printed")
        await _idle(rig)
        await rig.act("/v1/stations/s1/hold")
        for name in ("o2", "o3"):
            await rig.scan("s1", name)
            await _idle(rig)
        assert [] == [step for step in steps if "_take." in step]
        await rig.act("/v1/stations/s1/release")
        await rig.job_in("o3", "printed")
        await _printed_once(rig, "o1", "o2", "o3")
