"""A gateway that is killed for real loses nothing that it answered 202, and prints nothing twice.

The long form is a command: `python tests/bench/kill_run.py --kills 100`.
"""

import asyncio
import random
from pathlib import Path
from typing import Any

import httpx
import pytest

from adapters.line import memory_pair
from adapters.simulator.cycle import Bag
from adapters.simulator.faces import StationFace
from tests.bench.kill_people import People
from tests.bench.kill_run import kill_run, kinds_here
from tests.bench.kill_stations import KINDS


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


async def test_people_of_the_run_move_no_bag_on_that_was_printed_meanwhile(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It would leave unscanned, and the run would count a bag too few as verified."""
    far_end = KINDS["simulated-verified"]()
    machine = far_end.machine
    assert machine is not None
    machine.listeners.add(StationFace(machine, memory_pair()[0]))
    people = People("s", far_end, str, random.Random(1), asyncio.Event())
    first, second = (Bag(number, f"j{number}", (f"c{number}",)) for number in (1, 2))
    machine.cycle.row = [None, first, None]

    async def printed_meanwhile(_client: httpx.AsyncClient) -> dict[str, Any]:
        machine.cycle.row = [first, None, second]
        row = [{"position": 0}, {"position": 2}]
        return {"lane_length": 0, "sending": None, "in_doubt": None, "row": row}

    monkeypatch.setattr(people, "_view", printed_meanwhile)
    async with httpx.AsyncClient() as client:
        await people._bring_the_last(client, machine)
    assert (first, None, second) == machine.row()
