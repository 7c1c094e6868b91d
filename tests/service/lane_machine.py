"""A state machine over lane, device, people and faults: hypothesis looks for a broken promise.

The bounded form is a test, the long form a command: `python tests/bench/machine_run.py`.
"""

import asyncio
from collections import Counter
from collections.abc import Awaitable

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from adapters.simulator.faults import Fault, FaultKind
from gateway.ledger import chain, entries
from schemas.job import JobState
from schemas.ledger import EntryKind, LedgerEntry
from schemas.scan import ScanVerdict
from schemas.station import Verify
from tests.rigs.quick_time import QuickLoop
from tests.service.lane_world import RIGS, World

FAULTS = {
    "simulated": (
        FaultKind.CUT,
        FaultKind.LOSES_LINE,
        FaultKind.ANSWERS_NOTHING,
        FaultKind.GARBAGE,
        FaultKind.REPEATS,
        FaultKind.SLOW,
        FaultKind.SILENT,
    ),
    "tcp": (FaultKind.CUT, FaultKind.LOSES_LINE),
    "tcp-counted": (
        FaultKind.CUT,
        FaultKind.LOSES_LINE,
        FaultKind.ANSWERS_NOTHING,
        FaultKind.GARBAGE,
        FaultKind.SLOW,
    ),
}
"""What may befall each kind. A raw line doesn't prove that the printer read what it was sent, so a
slow one that is switched off may lose a label unseen: no gateway could find that."""
OUT = (JobState.SENT, JobState.PRINTED, JobState.VERIFIED, JobState.CLOSED)
GIVEN_UP = (JobState.VOID, JobState.CANCELLED)
LONGEST_WAIT_S = 3600.0
"""On the loop's clock, which costs nothing."""

which = st.integers(0, 5)
turns = st.integers(0, 40)


def _verifies(machine: "LaneMachine") -> bool:
    return machine.world.verify is Verify.REQUIRED


class LaneMachine(RuleBasedStateMachine):
    """One station, one lane: scans, faults, power cuts, crashes, holds, clock jumps, people."""

    @initialize(
        kind=st.sampled_from(sorted(RIGS)),
        verify=st.sampled_from((Verify.NONE, Verify.REQUIRED)),
        bags_ahead=st.integers(0, 2),
    )
    def begin(self, kind: str, verify: Verify, bags_ahead: int) -> None:
        """Stand station and gateway up."""
        self.runner = asyncio.Runner(loop_factory=QuickLoop)
        self.world = World(kind, verify, bags_ahead)
        self._run(self.world.begin())

    def _run(self, work: Awaitable[object]) -> None:
        async def run() -> None:
            await work

        self.runner.run(run())

    @rule()
    def scan_order(self) -> None:
        """A new order."""
        self._run(self.world.scan_order())

    @precondition(lambda self: self.world.last_event)
    @rule()
    def send_event_again(self) -> None:
        """Whatever the event was."""
        self._run(self.world.send_again())

    @rule(data=st.data(), after_bytes=st.sampled_from([1, 60, 400]))
    def go_wrong(self, data: st.DataObject, after_bytes: int) -> None:
        """The next label meets a fault."""
        kind = data.draw(st.sampled_from(FAULTS[self.world.kind]))
        self.world.machine.inject(Fault(kind, after_bytes=after_bytes, seconds=0.05))

    @rule()
    def heal(self) -> None:
        """Faults end."""
        self.world.machine.heal()

    @precondition(lambda self: self.world.is_off or not self.world.machine.waiting)
    @rule()
    def switch(self) -> None:
        """Off, or on again. What a printer has taken and not printed is gone: see FAULTS."""
        self._run(self.world.rig.on() if self.world.is_off else self.world.rig.off())
        self.world.is_off = not self.world.is_off

    @rule(seconds=st.sampled_from([0.001, 0.05, 2.0, 20.0]))
    def wait(self, seconds: float) -> None:
        """Time passes."""
        self._run(asyncio.sleep(seconds))

    @rule(turns=turns)
    def go_on_a_little(self, turns: int) -> None:
        """The gateway does a few steps."""
        self._run(_turns(turns))

    @rule(turns=turns)
    def crash(self, turns: int) -> None:
        """The process is gone between any two steps, and another starts on the same file."""
        self._run(_turns(turns))
        self._run(self.world.crash())

    @rule(seconds=st.sampled_from([-4000.0, 300.0, 4000.0]))
    def set_clock(self, seconds: float) -> None:
        """Somebody sets the wall clock."""
        self.world.clock.jump_wall(seconds)

    @rule()
    def hold_or_release(self) -> None:
        """By hand."""
        self._run(self.world.hold_or_release())

    @rule()
    def look_at_what_waits(self) -> None:
        """A person answers what is asked."""
        self._run(self.world.answer_all())

    @rule(which=which)
    def cancel(self, which: int) -> None:
        """A job that waits."""
        self._run(self.world.cancel(which))

    @rule(which=which)
    def void(self, which: int) -> None:
        """A printed bag."""
        self._run(self.world.void(which))

    @rule(which=which)
    def reprint(self, which: int) -> None:
        """What was cancelled or void."""
        self._run(self.world.reprint(which))

    @precondition(_verifies)
    @rule()
    def scan_bag(self) -> None:
        """The right label."""
        self._run(self.world.scan_bag())

    @precondition(_verifies)
    @rule()
    def scan_neighbour(self) -> None:
        """The wrong bag."""
        self._run(self.world.scan_neighbour())

    @precondition(_verifies)
    @rule(code=st.sampled_from(["nobody's", None]))
    def scan_unknown(self, code: str | None) -> None:
        """No label of ours, or no read."""

        async def scan() -> None:
            found = await self.world.scan_label(code)
            wanted = ScanVerdict.UNKNOWN_CODE if code else ScanVerdict.NO_READ
            assert found.verdict is wanted
            assert code is None or found.holds_station

        self._run(scan())

    def teardown(self) -> None:
        """Mend everything, let the lane run dry, and count."""
        if not hasattr(self, "runner"):
            return
        try:
            self._run(self._end())
        finally:
            self.runner.close()

    async def _end(self) -> None:
        world = self.world
        try:
            world.rig.heal()
            if world.is_off:
                await world.rig.on()
            async with asyncio.timeout(LONGEST_WAIT_S):
                while not await self._is_dry():
                    await self._finish_one()
            await self._check()
        finally:
            await world.end()

    async def _finish_one(self) -> None:
        """What people do in the evening until nothing is left."""
        world = self.world
        await world.release()
        await world.answer_all()
        if world.verify is not Verify.REQUIRED:
            return
        await world.scan_bag()
        busy = [job for job in await world.jobs() if job.state not in (*OUT, *GIVEN_UP)]
        if not busy and world.machine.row()[0] is None and any(world.machine.row()):
            await world.advance()

    async def _is_dry(self) -> bool:
        jobs = await self.world.jobs()
        done = OUT if self.world.verify is Verify.NONE else (JobState.VERIFIED,)
        if any(job.state not in (*done, *GIVEN_UP) for job in jobs):
            return False
        machine = self.world.machine
        left = any(machine.row()) if self.world.verify is Verify.REQUIRED else False
        return not left and not machine.waiting

    async def _check(self) -> None:
        """Nothing lost, nothing twice, in order; ledger and device agree."""
        world = self.world
        jobs, told = await world.jobs(), await world.ledger()
        came_out = [codes[0] for codes in world.machine.printed_codes]
        times, denied = Counter(came_out), _denied_by_people(told)
        assert set(world.accepted) == {job.order_id for job in jobs}
        for job in jobs:
            code, again = job.expected_scans[0], denied[job.job_id]
            may = 1 if world.kind == "simulated" else 1 + again
            assert times[code] <= may, (job, times)
            assert job.state not in OUT or times[code], (job, times)
            assert job.state is not JobState.CANCELLED or times[code] <= again, (job, times)
        known = {job.expected_scans[0] for job in jobs}
        assert set(came_out) <= known
        stale = {e.job_id for e in told if e.data.get("to") == "stale"}
        late = {job.expected_scans[0] for job in jobs if job.job_id in stale}
        wanted = [job.expected_scans[0] for job in jobs if times[job.expected_scans[0]]]
        assert [c for c in wanted if c not in late] == [
            c for c in dict.fromkeys(came_out) if c not in late
        ]
        if world.verify is Verify.REQUIRED:
            good = {job.expected_scans[0] for job in jobs if job.state is JobState.VERIFIED}
            assert good <= set(world.verified)
        _check_story(told)
        report = await world.gateway.store.read(
            lambda conn: chain.verify(entries.stored_rows(conn))
        )
        assert report.ok, report.text


async def _turns(count: int) -> None:
    for _ in range(count):
        await asyncio.sleep(0)


def _check_story(told: list[LedgerEntry]) -> None:
    """A held station is sent nothing; every doubt that ended was settled by somebody."""
    held, doubts = False, 0
    for entry in told:
        match entry.kind:
            case EntryKind.STATION_HELD:
                held = True
            case EntryKind.STATION_RELEASED:
                held = False
            case EntryKind.JOB_MOVED:
                assert entry.data["to"] != "sending" or not held, entry
                doubts += entry.data["from"] == "in_doubt"
            case EntryKind.DOUBT_SETTLED:
                doubts -= 1
            case _:
                pass
    assert doubts == 0


def _denied_by_people(told: list[LedgerEntry]) -> Counter[str]:
    """How often a person said of a job that it had not come out: each allows one label more."""
    return Counter(
        str(e.job_id)
        for e in told
        if e.kind is EntryKind.DOUBT_SETTLED and not e.data["printed"] and e.data["by"] == "person"
    )
