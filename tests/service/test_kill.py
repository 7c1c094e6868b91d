"""A gateway that is killed for real loses nothing that it answered 202, and prints nothing twice.

The long form is a command: `python tests/bench/kill_run.py --kills 100`.
"""

from pathlib import Path

import pytest

from tests.bench.kill_run import kill_run, kinds_here


@pytest.mark.slow
@pytest.mark.timeout(400)
async def test_gateway_killed_at_random_moments_keeps_every_promise(tmp_path: Path) -> None:
    """On every kind of line accepted is printed, once, in order; the ledger and devices agree."""
    found = await kill_run(tmp_path, kills=4, pause_s=1.5, seed=4)
    assert [] == found.wrong
    assert 4 == found.kills
    assert kinds_here() == [one.name for one in found.stations]
    for station in found.stations:
        assert 0 < station.accepted <= station.came_out, station
