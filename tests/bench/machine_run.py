"""Drive the lane's state machine for many runs.

python tests/bench/machine_run.py --runs 1000
"""

import argparse
import io
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

from hypothesis import HealthCheck, settings  # noqa: E402
from hypothesis.stateful import run_state_machine_as_test  # noqa: E402

from gateway import logs  # noqa: E402
from tests.service.lane_machine import LaneMachine  # noqa: E402


def main() -> int:
    """Run; a failure shows the shortest way to it."""
    options = argparse.ArgumentParser(description="Look for a way to lose or repeat a label.")
    options.add_argument("--runs", type=int, default=1000)
    options.add_argument("--steps", type=int, default=25)
    given = options.parse_args()
    logs.configure(io.StringIO())
    started = time.monotonic()
    run_state_machine_as_test(
        LaneMachine,
        settings=settings(
            max_examples=given.runs,
            stateful_step_count=given.steps,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            database=None,
        ),
    )
    print(
        f"{given.runs} runs of up to {given.steps} steps held, {time.monotonic() - started:.0f} s"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
