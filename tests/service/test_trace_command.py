"""`bagrelay trace` beside a running gateway: bag, reason, parcel and who verified it."""

import asyncio
import subprocess
import sys
from pathlib import Path

from tests.service.gateway_rig import running, station


def _traced(order_id: str, store: Path) -> str:
    command = [sys.executable, "-m", "gateway", "trace", order_id, "--site", str(store)]
    return subprocess.run(command, capture_output=True, check=True, text=True).stdout


async def test_trace_names_parcel_bag_and_who_verified(tmp_path: Path) -> None:
    """The parcel's id stands there too: the evidence file is asked for by it."""
    async with running(tmp_path, station("s1", verify="required")) as rig:
        await rig.scan("s1", "o1")
        job = await rig.job_in("o1", "printed", "sent")
        before = await asyncio.to_thread(_traced, "o1", rig.db)
        assert job["parcel_id"] in before
        assert "small" in before
        assert "not verified by a scan" in before
        await rig.verify("s1", (await rig.view("s1"))["load_now"]["expected_scans"][0])
        await rig.job_in("o1", "verified")
        assert "  verified by " in await asyncio.to_thread(_traced, "o1", rig.db)
