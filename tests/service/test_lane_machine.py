"""The lane's state machine, bounded so that the suite stays quick."""

import pytest
from hypothesis import HealthCheck, settings

from gateway.dispatch import asking, lane
from tests.service.lane_machine import LaneMachine

LaneMachine.TestCase.settings = settings(
    max_examples=10,
    stateful_step_count=12,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)


@pytest.mark.slow
@pytest.mark.timeout(400)
class TestLane(LaneMachine.TestCase):  # type: ignore[name-defined,misc]
    """Drives scans, faults, crashes, holds and people in orders that hypothesis thinks of."""

    @pytest.fixture(autouse=True)
    def _nobody_waits(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(lane, "ASK_AGAIN_S", 0.02)
        monkeypatch.setattr(asking, "COUNT_SETTLES_S", 0.02)
