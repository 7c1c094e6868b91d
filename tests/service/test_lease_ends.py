"""A gateway that slept past its lease amid a delivery sends not one byte more of the label."""

import asyncio
import socket
import time
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import pytest
from gateway_rig import BAGS, FILMS, RETRY, order, running, station, until

from adapters.contract import Claims
from adapters.errors import FateUnknown
from gateway.app import build
from gateway.clock import ManualClock
from gateway.dispatch import dispatcher, while_leased
from gateway.intake.envelope import read_http
from gateway.store import jobs
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.site import Site
from schemas.station import (
    MachineState,
    Receipt,
    ReceiptStage,
    Signal,
    Station,
    StationCondition,
    StationOrder,
)

FIRST, REST = b"first half;", b"second half"


class InHalves:
    """A line that sends half a label, waits for the far end, and sends the rest."""

    claims: ClassVar[Claims] = Claims(
        knows=frozenset({ReceiptStage.SENT}), deliver_within_s=60.0, makes_bags=True
    )

    def __init__(self, name: str, line: socket.socket) -> None:
        self.station = name
        self._line = line

    async def open(self) -> None:
        """It stands."""

    async def close(self) -> None:
        """It is the test's."""

    async def deliver(self, order: StationOrder) -> Receipt:
        """As a printer does that takes no more for a while."""
        loop = asyncio.get_running_loop()
        await loop.sock_sendall(self._line, FIRST)
        if not await loop.sock_recv(self._line, 1):
            raise FateUnknown("the line was lost")
        self._line.send(REST)
        return Receipt(job_id=order.job_id, stage=ReceiptStage.SENT, bytes_sent=len(FIRST + REST))

    async def state(self) -> StationCondition:
        """Nothing is known."""
        return StationCondition(state=MachineState.UNKNOWN)

    async def signals(self) -> AsyncIterator[Signal]:
        """It reports nothing."""
        await asyncio.Event().wait()
        yield Signal.model_validate({})


@pytest.mark.parametrize("sleeps", [True, False], ids=["past its lease", "within its lease"])
async def test_rest_of_a_label_is_not_sent_after_the_lease(
    postgres_url: str, monkeypatch: pytest.MonkeyPatch, *, sleeps: bool
) -> None:
    """The process stands still while the far end lets it go on: asleep past the lease it sends
    nothing and the job is in doubt; awake it renews its lease and sends the rest, however late."""
    monkeypatch.setattr(dispatcher, "LEASE_S", 1.5)
    monkeypatch.setattr(dispatcher, "RENEW_S", 0.3)
    near, far = socket.socketpair()
    near.setblocking(False)
    far.settimeout(20)
    site = Site.model_validate(
        {
            "name": "halves", "gs1": {"company_prefix": "9521234"}, "film": FILMS, "bag": BAGS,
            "store": {"url": postgres_url}, "station": [station("s1")],
        }
    )  # fmt: skip

    def line(made: Station) -> InHalves:
        return InHalves(made.id, near)

    gateway = build(site, environment={}, make_adapter=line)
    await gateway.start()
    try:
        event = {
            "specversion": "1.0", "id": "1", "source": "/t", "type": "bagrelay.order.scanned.v1",
            "data": {"station": "s1", "code": "o1", "order": order("o1")},
        }  # fmt: skip
        import json

        incoming = read_http(
            {"content-type": "application/cloudevents+json"}, json.dumps(event).encode()
        )
        await gateway.intake.accept(incoming, actor="test")  # type: ignore[arg-type]
        assert FIRST == await asyncio.to_thread(far.recv, 100)
        if not sleeps:
            await asyncio.sleep(2.0)
        far.send(b"!")
        if sleeps:
            time.sleep(2.0)

        async def settled() -> bool:
            job = await gateway.store.read(lambda conn: jobs.open_job(conn, "s1"))
            return job is None or job.state is JobState.IN_DOUBT

        await until(settled, "the job to be told")
        far.settimeout(0.2)
        try:
            rest = far.recv(100)
        except TimeoutError:
            rest = b""
        assert (b"" if sleeps else REST) == rest
        job = await gateway.store.read(lambda conn: jobs.open_job(conn, "s1"))
        assert sleeps == (job is not None)
    finally:
        await gateway.stop()
        near.close()
        far.close()


async def test_lease_that_ends_is_no_fault_of_the_station(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The label goes back to its lane, and leaves once the lease is had again: no breaker opens."""
    monkeypatch.setattr(while_leased, "_LOOK_EVERY_S", 0.01)
    retry = {**RETRY, "attempts": 1, "breaker_faults": 1, "breaker_open_s": 600}
    clock = ManualClock()
    async with running(tmp_path, station("s1", retry=retry), clock=clock) as rig:
        leases = rig.gateway.dispatcher._leases
        lane, lease = rig.gateway.dispatcher._lanes["s1"], leases["s1"]
        leases["s1"] = replace(lease, good_until=clock.monotonic() + 6)
        opened = lane.open

        async def open_late() -> None:
            clock.advance(7)
            await opened()

        monkeypatch.setattr(lane, "open", open_late)
        await rig.scan("s1", "o1")

        async def given_back() -> bool:
            return await rig.moves("o1") == ["sending", "queued"]

        await until(given_back, "the job to be given back")
        leases["s1"] = lease
        monkeypatch.setattr(lane, "open", opened)
        rig.gateway.dispatcher.wake("s1")
        await rig.job_in("o1", "printed")
        assert ["sending", "queued", "sending", "printed"] == await rig.moves("o1")
        assert [] == await rig.ledger(EntryKind.STATION_MOVED)
        assert 1 == rig.stations["s1"].printed_count
