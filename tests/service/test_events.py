"""The way in over HTTP: CloudEvents 1.0.2 in every mode, repeats, refusals. Real sockets."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from service.gateway_rig import Rig, running, station

STRUCTURED = "application/cloudevents+json"
BATCH = "application/cloudevents-batch+json"


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    """One quick station."""
    async with running(tmp_path, station("s1")) as running_rig:
        yield running_rig


async def test_structured_event_is_accepted_and_printed(rig: Rig) -> None:
    """Structured mode: envelope and data in one JSON object."""
    answer = await rig.scan("s1", "o1")
    assert ("queued", False, "o1") == (answer["outcome"], answer["repeated"], answer["order_id"])
    await rig.job_in("o1", "printed")
    assert 1 == rig.stations["s1"].printed_count
