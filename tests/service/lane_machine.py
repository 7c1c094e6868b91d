"""A state machine over lane, device and faults: hypothesis looks for a way to break a promise.

The gateway's parts are real, on a SQLite file; the station is simulated, on a line in memory.
The bounded form is a test, the long form a command: `python tests/bench/machine_run.py`.
"""

import asyncio
import shutil
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import orjson
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from adapters.contract import StationAdapter
from adapters.printer import BytePrinter, CountedPrinter
from adapters.simulated import Simulated
from adapters.simulator import Fault, FaultKind
from gateway.app import Gateway, build
from gateway.clock import ManualClock
from gateway.dispatch.holds import open_of
from gateway.dispatch.station_state import ensure_row
from gateway.dispatch.supply import first_loads
from gateway.errors import NotAllowedNow
from gateway.intake.envelope import read_structured
from gateway.ledger import chain, entries
from gateway.store import jobs
from gateway.store.jobs import JobRow
from schemas.desk import Answer
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.site import Site
from tests.rigs.simulated import MemoryCountedRig, MemoryPrinterRig, MemorySimulatedRig
from tests.service import gateway_rig

RIGS = {
    "simulated": MemorySimulatedRig,
    "tcp": MemoryPrinterRig,
    "tcp-counted": MemoryCountedRig,
}
FAULTS = (
    FaultKind.CUT,
    FaultKind.LOSES_LINE,
    FaultKind.ANSWERS_NOTHING,
    FaultKind.GARBAGE,
    FaultKind.REPEATS,
)
OUT = (JobState.SENT, JobState.PRINTED, JobState.VERIFIED, JobState.CLOSED)
LONGEST_WAIT_S = 30.0


class LaneMachine(RuleBasedStateMachine):
    """One station, one lane: scans, faults, power cuts, crashes, holds, clock jumps, people."""

    @initialize(kind=st.sampled_from(sorted(RIGS)))
    def begin(self, kind: str) -> None:
        """Stand station and gateway up."""
        self.kind = kind
        self.folder = Path(tempfile.mkdtemp(prefix="bagrelay-machine-"))
        self.clock = ManualClock()
        self.accepted: list[str] = []
        self.last_event: bytes | None = None
        self.is_off = False
        self.runner = asyncio.Runner()
        self.runner.run(self._begin())

    async def _begin(self) -> None:
        self.rig = RIGS[self.kind]()
        await self.rig.start()
        shutil.copyfile(gateway_rig._empty_store(), self.folder / "m.db")
        await self._start()

    async def _start(self) -> None:
        site = {
            "name": "machine",
            "gs1": {"company_prefix": "9521234"},
            "film": gateway_rig.FILMS,
            "bag": gateway_rig.BAGS,
            "store": {"url": f"sqlite:///{self.folder / 'm.db'}"},
            "station": [
                gateway_rig.station(
                    "s1",
                    lines=[{"kind": "simulated", "options": {"port": 9}}],
                    max_lane=1000,
                    retry={**gateway_rig.RETRY, "breaker_open_s": 0.02},
                )
            ],
        }
        self.gateway: Gateway = build(
            Site.model_validate(site),
            clock=self.clock,
            environment={},
            make_adapter=lambda _: self._adapter(),
        )
        await asyncio.to_thread(self.gateway.store.start)
        station = self.gateway.site.station[0]
        await self.gateway.store.write(lambda work: ensure_row(work, "s1"))
        await self.gateway.store.write(lambda work: first_loads(work, station))
        await self.gateway.dispatcher.start()

    def _adapter(self) -> StationAdapter:
        connect = self.rig.connect
        match self.kind:
            case "simulated":
                return Simulated("s1", connect, answer_s=0.15, print_s=0.15)
            case "tcp":
                return BytePrinter("s1", connect, write_s=0.3, answer_s=0.15)
            case _:
                return CountedPrinter("s1", connect, write_s=0.3, answer_s=0.15, print_s=0.2)

    @rule()
    def scan(self) -> None:
        """A new order is scanned, and must be accepted."""
        order_id = f"o{len(self.accepted)}"
        event = {
            "specversion": "1.0",
            "id": order_id,
            "source": "/machine",
            "type": "bagrelay.order.scanned.v1",
            "data": {"station": "s1", "code": order_id, "order": gateway_rig.order(order_id)},
        }
        self.last_event = orjson.dumps(event)
        answer = self.runner.run(self._accept(self.last_event))
        assert answer.outcome.value == "queued"
        self.accepted.append(order_id)

    @precondition(lambda self: self.last_event is not None)
    @rule()
    def send_event_again(self) -> None:
        """The sender repeats itself."""
        assert self.last_event is not None
        assert self.runner.run(self._accept(self.last_event)).repeated

    async def _accept(self, body: bytes) -> Any:
        return await self.gateway.intake.accept(read_structured(body), actor="machine")

    @rule(kind=st.sampled_from(FAULTS), after_bytes=st.sampled_from([1, 60, 400]))
    def go_wrong(self, kind: FaultKind, after_bytes: int) -> None:
        """The next label meets a fault."""
        self.rig.station.inject(Fault(kind, after_bytes=after_bytes))

    @rule()
    def switch(self) -> None:
        """Off, or on again."""
        self.runner.run(self.rig.on() if self.is_off else self.rig.off())
        self.is_off = not self.is_off

    @rule(seconds=st.sampled_from([0.0, 0.01, 0.1]))
    def crash(self, seconds: float) -> None:
        """The process is gone at some moment, and another starts on the same file."""
        self.runner.run(self._crash(seconds))

    async def _crash(self, seconds: float) -> None:
        await asyncio.sleep(seconds)
        tasks = list(self.gateway.dispatcher._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._let_go()
        await self._start()

    async def _let_go(self) -> None:
        await self.gateway.dispatcher._lanes["s1"].adapter.close()
        await asyncio.to_thread(self.gateway.store.close)

    @rule(seconds=st.sampled_from([-4000.0, 300.0]))
    def set_clock(self, seconds: float) -> None:
        """Somebody sets the wall clock."""
        self.clock.jump_wall(seconds)

    @rule()
    def hold_or_release(self) -> None:
        """A person holds the station, or lets it go on."""
        self.runner.run(self._hold_or_release())

    async def _hold_or_release(self) -> None:
        try:
            await self.gateway.desk.hold("s1", "machine", "Tester")
        except NotAllowedNow:
            await self.gateway.desk.release("s1", "machine", "Tester")

    @rule()
    def look_at_what_waits(self) -> None:
        """A person answers what is asked, after a look at the printer."""
        self.runner.run(self._answer_all())

    async def _answer_all(self) -> None:
        await asyncio.sleep(0.02)
        for job in await self.gateway.store.read(jobs.needing_person):
            answer = self._answer(job)
            try:
                await self.gateway.desk.settle(job.job_id, answer, "looked", "Tester")
            except NotAllowedNow:
                continue  # the station was asked meanwhile

    def _answer(self, job: JobRow) -> Answer:
        if job.state is not JobState.IN_DOUBT:
            return Answer.SEND_AGAIN
        seen = any(job.expected_scans[0] in bag for bag in self.rig.station.printed_codes)
        return Answer.PRINTED if seen else Answer.NOT_PRINTED

    def teardown(self) -> None:
        """Mend everything, let the lane run dry, and count."""
        if not hasattr(self, "runner"):
            return
        try:
            self.runner.run(self._end())
        finally:
            self.runner.close()
            shutil.rmtree(self.folder, ignore_errors=True)

    async def _end(self) -> None:
        self.rig.heal()
        if self.is_off:
            await self.rig.on()
        if await self.gateway.store.read(lambda conn: open_of(conn, "s1")):
            await self.gateway.desk.release("s1", "machine", "Tester")
        try:
            async with asyncio.timeout(LONGEST_WAIT_S):
                while [j for j in await self._jobs() if j.state not in OUT]:
                    await self._answer_all()
            await self._check()
        finally:
            await self.gateway.dispatcher.stop()
            await self._let_go()
            await self.rig.stop()

    async def _jobs(self) -> list[JobRow]:
        return await self.gateway.store.read(
            lambda conn: [job for name in self.accepted for job in jobs.of_order(conn, name)]
        )

    async def _check(self) -> None:
        """Nothing lost, nothing twice, in order; ledger and device agree."""
        told = await self._jobs()
        assert len(told) == len(self.accepted)
        wanted = [job.expected_scans[0] for job in told]
        await gateway_rig.sees(
            lambda: set(wanted) <= {codes[0] for codes in self.rig.station.printed_codes},
            "every label to come out",
        )
        came_out = [codes[0] for codes in self.rig.station.printed_codes]
        log = await self.gateway.store.read(
            lambda conn: entries.page(conn, after=0, limit=1_000_000)
        )
        denied = Counter(
            e.job_id for e in log if e.kind is EntryKind.DOUBT_SETTLED and not e.data["printed"]
        )
        times = Counter(came_out)
        for job in told:
            may = 1 if self.kind == "simulated" else 1 + denied[job.job_id]
            assert 1 <= times[job.expected_scans[0]] <= may, (job, times)
        assert wanted == list(dict.fromkeys(came_out))
        report = await self.gateway.store.read(lambda conn: chain.verify(entries.stored_rows(conn)))
        assert report.ok, report.text
