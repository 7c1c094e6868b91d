"""A gateway that is killed for real loses nothing that it answered 202, and prints nothing twice.

The long form is a command: `python tests/bench/kill_run.py --kills 100`.
"""

from pathlib import Path

import pytest

from tests.bench.kill_run import kill_run


@pytest.mark.slow
@pytest.mark.timeout(300)
async def test_gateway_killed_at_random_moments_keeps_every_promise(tmp_path: Path) -> None:
    """Accepted is printed, once, in order; the ledger is whole and agrees with the machines."""
    found = await kill_run(tmp_path, kills=8, pause_s=0.6, seed=4)
    assert [] == found.wrong
    assert 8 == found.kills
    assert 0 < found.accepted == found.printed
