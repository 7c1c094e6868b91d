"""The lane's state machine, bounded so that the suite stays quick."""

import asyncio

import pytest
from hypothesis import HealthCheck, settings

from adapters.simulator import Fault, FaultKind
from schemas.station import Verify
from tests.rigs.quick_time import QuickLoop
from tests.service.lane_machine import LaneMachine
from tests.service.lane_world import World

LaneMachine.TestCase.settings = settings(
    max_examples=25,
    stateful_step_count=25,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)


@pytest.mark.slow
@pytest.mark.timeout(400)
class TestLane(LaneMachine.TestCase):  # type: ignore[name-defined,misc]
    """Drives scans, faults, crashes, holds and people in orders that hypothesis thinks of."""


@pytest.mark.slow
def test_counted_printer_that_reads_slowly_prints_once() -> None:
    """What lies unread on a line that was lost comes out later; a fresh line says "0 printed"."""
    machine = LaneMachine()
    machine.runner = asyncio.Runner(loop_factory=QuickLoop)
    machine.world = World("tcp-counted", Verify.NONE, bags_ahead=0)
    try:
        machine._run(machine.world.begin())
        machine.world.machine.inject(Fault(FaultKind.SLOW, seconds=0.05))
        machine.scan_order()
        machine.wait(seconds=20.0)
    finally:
        machine.teardown()
