"""What stands around the lane's state machine: a gateway, a station in memory, and people.

The gateway's parts are real, its store a SQLite file. Time is the loop's, and a wait costs nothing
(`tests/rigs/quick_time.py`): so the store writes in the loop too, one step at a time, and does not
wait for the disk.
"""

import asyncio
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar
from unittest.mock import patch

import orjson
from sqlalchemy.engine import Connection

from adapters.contract import StationAdapter
from adapters.printer import BytePrinter, CountedPrinter
from adapters.simulated import Simulated
from adapters.simulator import SimulatedStation
from gateway import app
from gateway.clock import ManualClock
from gateway.dispatch.holds import open_of
from gateway.dispatch.station_state import ensure_row
from gateway.dispatch.supply import first_loads
from gateway.errors import NotAllowedNow
from gateway.intake.envelope import read_structured
from gateway.ledger import entries
from gateway.store import jobs, sqlite
from gateway.store.jobs import JobRow
from gateway.store.store import Store, _Step
from gateway.store.work import Work
from schemas.desk import Answer
from schemas.events import Accepted
from schemas.job import JobState
from schemas.ledger import EntryKind, LedgerEntry
from schemas.scan import ScanResult, ScanVerdict
from schemas.site import Site
from schemas.station import Verify
from tests.rigs.simulated import MemoryCountedRig, MemoryPrinterRig, MemorySimulatedRig
from tests.service import gateway_rig

T = TypeVar("T")

RIGS = {
    "simulated": MemorySimulatedRig,
    "tcp": MemoryPrinterRig,
    "tcp-counted": MemoryCountedRig,
}
_WHO = "Tester"


class _Clock(ManualClock):
    """Wall time that goes on with the loop's, and jumps when somebody sets it."""

    def monotonic(self) -> float:
        return asyncio.get_running_loop().time()


class _InlineStore(Store):
    """The store without its thread and without waiting for the disk."""

    def start(self) -> None:
        self._claim = sqlite.claim(self.url)
        bare = self._writer.raw_connection()
        bare.cursor().execute("PRAGMA synchronous=OFF")
        bare.close()
        self._reader = sqlite.reading_engine(self.url)

    async def write(self, run: Callable[[Work], T]) -> T:
        loop = asyncio.get_running_loop()
        step: _Step[T] = _Step(run, loop, loop.create_future())
        self._write_group([step])
        return await step.future

    async def read(self, run: Callable[[Connection], T]) -> T:
        await asyncio.sleep(0)
        return self._read(run)


class World:
    """One station with its gateway, and what people do at both."""

    def __init__(self, kind: str, verify: Verify, bags_ahead: int) -> None:
        self.kind, self.verify, self.bags_ahead = kind, verify, bags_ahead
        self.clock = _Clock()
        self.accepted: list[str] = []
        self.last_event = b""
        self.is_off = False
        self.verified: list[str] = []
        """Codes that were read from a bag and matched, in order."""
        self._folder = Path(tempfile.mkdtemp(prefix="bagrelay-machine-"))
        self._scans = 0

    @property
    def machine(self) -> SimulatedStation:
        """The station."""
        return self.rig.station

    # Life

    async def begin(self) -> None:
        """Stand station and gateway up."""
        self.rig = RIGS[self.kind]()
        self.rig.station = SimulatedStation(
            bags_ahead=self.bags_ahead, auto_advance=self.verify is not Verify.REQUIRED
        )
        await self.rig.start()
        shutil.copyfile(gateway_rig._empty_store(), self._folder / "m.db")
        await self._start()

    async def end(self) -> None:
        """Let go of everything."""
        try:
            await self.gateway.dispatcher.stop()
            await self._let_go()
            await self.rig.stop()
        finally:
            shutil.rmtree(self._folder, ignore_errors=True)

    async def crash(self) -> None:
        """The process is gone, and another starts on the same file."""
        tasks = list(self.gateway.dispatcher._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._let_go()
        await self._start()

    async def _start(self) -> None:
        station = gateway_rig.station(
            "s1",
            lines=[{"kind": "simulated", "options": {"port": 9}}],
            loaded=[{"bag": "small"}],
            max_lane=1000,
            verify=self.verify.value,
            bags_ahead=self.bags_ahead,
        )
        site = {
            "name": "machine",
            "gs1": {"company_prefix": "9521234"},
            "film": gateway_rig.FILMS,
            "bag": gateway_rig.BAGS,
            "store": {"url": f"sqlite:///{self._folder / 'm.db'}"},
            "station": [station],
        }
        with patch.object(app, "Store", _InlineStore):
            self.gateway = app.build(
                Site.model_validate(site),
                clock=self.clock,
                environment={},
                make_adapter=lambda _: self._adapter(),
            )
        self.gateway.store.start()
        place = self.gateway.site.station[0]
        await self.gateway.store.write(lambda work: ensure_row(work, "s1"))
        await self.gateway.store.write(lambda work: first_loads(work, place))
        await self.gateway.dispatcher.start()

    async def _let_go(self) -> None:
        await self.gateway.dispatcher._lanes["s1"].adapter.close()
        self.gateway.store.close()

    def _adapter(self) -> StationAdapter:
        match self.kind:
            case "simulated":
                return Simulated("s1", self.rig.connect)
            case "tcp":
                return BytePrinter("s1", self.rig.connect)
            case _:
                return CountedPrinter("s1", self.rig.connect)

    # What people do

    async def scan_order(self) -> None:
        """A new order is scanned, and must be accepted."""
        order_id = f"o{len(self.accepted)}"
        data = {"code": order_id, "order": gateway_rig.order(order_id)}
        answer = await self._send("order.scanned", order_id, data)
        assert answer.outcome.value == "queued", answer
        self.accepted.append(order_id)

    async def send_again(self) -> None:
        """The sender repeats itself."""
        answer = await self.gateway.intake.accept(read_structured(self.last_event), actor="machine")
        assert answer.repeated

    async def scan_label(self, code: str | None) -> ScanResult:
        """A label is read, or not; the verdict."""
        self._scans += 1
        answer = await self._send("label.scanned", f"scan-{self._scans}", {"code": code})
        assert answer.scan is not None
        return answer.scan

    async def scan_bag(self) -> None:
        """The bag at the loading place is read, and leaves once nothing speaks against it."""
        bag = self.machine.row()[0]
        if bag is None:
            return
        code = bag.codes[0]
        scan = await self.scan_label(code)
        if scan.verdict is ScanVerdict.MATCH and not scan.holds_station:
            assert code not in self.verified, f"{code} was verified twice"
            self.verified.append(code)
            self.machine.seal()
        elif scan.verdict in (ScanVerdict.REPEAT, ScanVerdict.OLD_LABEL):
            job = next(job for job in await self.jobs() if code in job.expected_scans)
            assert job.state in (JobState.VERIFIED, JobState.VOID), job
            self.machine.seal()  # it is thrown away
        elif not scan.holds_station:
            # Read out of its turn, it settled a doubt: it is out, and waits in its row.
            assert scan.verdict is ScanVerdict.OTHER_ORDER, scan
            job = next(job for job in await self.jobs() if code in job.expected_scans)
            assert job.state is JobState.PRINTED, job

    async def scan_neighbour(self) -> None:
        """The bag behind the one that is due is read: the station must stop."""
        row = self.machine.row()
        due = await self.gateway.store.read(lambda conn: jobs.row_of(conn, "s1"))
        if len(row) < 2 or row[0] is None or row[1] is None or not due:
            return
        if row[0].codes[0] not in due[0].expected_scans or row[0].codes == row[1].codes:
            return
        code = row[1].codes[0]
        scan = await self.scan_label(code)
        if not any(code in job.expected_scans for job in due) and not scan.holds_station:
            # Nobody knew yet that it was out: the scan settled that, and nothing else.
            assert scan.verdict is ScanVerdict.OTHER_ORDER, scan
            job = next(job for job in await self.jobs() if code in job.expected_scans)
            assert job.state is JobState.PRINTED, job
            return
        assert scan.holds_station, scan
        if not any(code in job.expected_scans for job in due):
            assert scan.verdict in (ScanVerdict.OTHER_ORDER, ScanVerdict.OLD_LABEL), scan
            return
        assert scan.verdict in (ScanVerdict.SHIFTED, ScanVerdict.OLD_LABEL), scan

    async def hold_or_release(self) -> None:
        """A person holds the station, or lets it go on."""
        try:
            await self.gateway.desk.hold("s1", "machine", _WHO)
        except NotAllowedNow:
            await self.gateway.desk.release("s1", "machine", _WHO)

    async def release(self) -> None:
        """Let the station go on where it is held."""
        if await self.gateway.store.read(lambda conn: open_of(conn, "s1")):
            await self.gateway.desk.release("s1", "machine", _WHO)

    async def answer_all(self) -> None:
        """Answer what is asked, after a look at the printer."""
        await asyncio.sleep(0.05)
        for job in await self.gateway.store.read(jobs.needing_person):
            try:
                await self.gateway.desk.settle(job.job_id, self._answer(job), "looked", _WHO)
            except NotAllowedNow:
                continue  # the station was asked meanwhile

    def _answer(self, job: JobRow) -> Answer:
        if job.state is not JobState.IN_DOUBT:
            return Answer.SEND_AGAIN
        seen = any(job.expected_scans[0] in bag for bag in self.machine.printed_codes)
        return Answer.PRINTED if seen else Answer.NOT_PRINTED

    async def cancel(self, which: int) -> None:
        """Cancel a job that waits."""
        waiting = await self.gateway.store.read(lambda conn: jobs.waiting(conn, "s1"))
        if waiting:
            job = waiting[which % len(waiting)]
            await self._or_somebody_was_quicker(self.gateway.desk.cancel, job)

    async def void(self, which: int) -> None:
        """Say of a printed bag that it must not leave."""
        printed = [job for job in await self.jobs() if job.row_position is not None]
        if printed:
            job = printed[which % len(printed)]
            await self._or_somebody_was_quicker(self.gateway.desk.void, job)

    async def reprint(self, which: int) -> None:
        """Print again what was cancelled or void, where nothing good is out for it."""
        over = (JobState.VOID, JobState.CANCELLED)
        gone = [job for job in await self.jobs() if job.state in over]
        if gone:
            job = gone[which % len(gone)]
            await self._or_somebody_was_quicker(self.gateway.desk.reprint, job)

    async def _or_somebody_was_quicker(
        self, act: Callable[..., "asyncio._CoroutineLike[object]"], job: JobRow
    ) -> None:
        try:
            await act(job.job_id, "machine", _WHO)
        except NotAllowedNow:
            return

    async def advance(self) -> None:
        """The row is moved on by hand; a station that does not report it is reported for."""
        if self.kind != "simulated":
            self.machine.advance()
            self._scans += 1
            await self._send("bag.advanced", f"advanced-{self._scans}", {})
        elif self.machine.listeners:
            self.machine.advance()

    async def _send(self, type_: str, event_id: str, data: dict[str, object]) -> Accepted:
        event = {
            "specversion": "1.0",
            "id": event_id,
            "source": "/machine",
            "type": f"bagrelay.{type_}.v1",
            "data": {"station": "s1", **data},
        }
        self.last_event = orjson.dumps(event)
        return await self.gateway.intake.accept(read_structured(self.last_event), actor="machine")

    # What can be seen

    async def ledger(self) -> list[LedgerEntry]:
        """Every entry."""
        return await self.gateway.store.read(
            lambda conn: entries.page(conn, after=0, limit=1_000_000)
        )

    async def jobs(self) -> list[JobRow]:
        """Every job, in the order in which they were made: that of the lane."""
        made = [str(e.job_id) for e in await self.ledger() if e.kind is EntryKind.JOB_CREATED]

        def found(conn: Connection) -> list[JobRow]:
            rows = [jobs.find(conn, job_id) for job_id in made]
            return [row for row in rows if row is not None]

        return await self.gateway.store.read(found)
