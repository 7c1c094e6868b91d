"""The lane's state machine, bounded so that the suite stays quick."""

import pytest
from hypothesis import HealthCheck, settings

from tests.service.lane_machine import LaneMachine

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
