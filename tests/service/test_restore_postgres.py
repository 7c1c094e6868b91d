"""The guide's own lines for backing up and restoring a PostgreSQL, run as they stand there."""

import asyncio
import os
import re
import subprocess
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from gateway_rig import until
from test_several_gateways import KINDS, Shared, database, shared

from gateway.dispatch.dispatcher import LEASE_S
from tests.rigs.servers import Postgres

__all__ = ["database"]

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
DUMP, RESTORE = re.search(  # type: ignore[union-attr]
    r"```sh\n(pg_dump [^\n]+)\n# all gateways stopped:\n(.+?)```", GUIDE, re.DOTALL
).groups()

pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]


def _run(lines: str, folder: Path, server: Postgres, dsn: str) -> None:
    """Run lines of the guide in the folder with the site file."""
    (folder / "bagrelay").write_text(f'#!/bin/sh\nexec {sys.executable} -m gateway "$@"\n')
    (folder / "bagrelay").chmod(0o755)
    tools = Path(server.tool("pg_dump")).parent
    environment: Mapping[str, str] = {
        **os.environ,
        "PATH": f"{folder}:{tools}:{os.environ['PATH']}",
        "PYTHONPATH": str(ROOT),
        "DATABASE": dsn,
    }
    done = subprocess.run(
        ["bash", "-euc", lines], cwd=folder, env=environment, check=False, capture_output=True,
        text=True,
    )  # fmt: skip
    assert 0 == done.returncode, done.stdout + done.stderr


async def _act(scene: Shared, path: str, **more: str) -> None:
    said = {"reason": "looked at it", "by": "Tester", **more}
    answer = await scene.client.post(f"{scene.gateways[0].url}{path}", json=said)
    assert answer.is_success, answer.text


async def _view(scene: Shared, station: str) -> dict[str, Any]:
    answer = await scene.client.get(f"{scene.gateways[0].url}/v1/stations/{station}")
    seen: dict[str, Any] = answer.json()
    return seen


async def test_restored_gateways_hold_their_lanes_and_ask(
    tmp_path: Path, database: Postgres
) -> None:
    """What was printed after the dump is not printed again: each lane is held, the label that
    waited then asks, and a new label gets a serial that none had."""
    async with shared(tmp_path, database, 1) as scene:
        (gateway,) = scene.gateways
        (tmp_path / "site.toml").write_bytes((tmp_path / "g0.toml").read_bytes())
        await _act(scene, "/v1/stations/s3/hold")
        for station in KINDS:
            await scene.scan(station, [gateway])
        await scene.sees(
            lambda: all(scene.room.printed[name] for name in KINDS if name != "s3"),
            "all but the held station to print",
        )
        await scene.at_rest(gateway)
        await asyncio.to_thread(_run, DUMP, tmp_path, database, scene.dsn)
        dumped = datetime.now(UTC)
        await _act(scene, "/v1/stations/s3/release")
        for station in KINDS:
            await scene.scan(station, [gateway])
        await scene.all_out()
        assert 0 == await gateway.stop()
        printed = {name: list(codes) for name, codes in scene.room.printed.items()}

        stamped, many = re.subn(r"--made \S+", f"--made {dumped:%Y-%m-%dT%H:%M}", RESTORE)
        assert 1 == many
        await asyncio.to_thread(_run, stamped, tmp_path, database, scene.dsn)
        await gateway.start()
        assert await gateway.ready(), gateway.last_words
        for name in KINDS:
            assert "restored" == (await _view(scene, name))["held"]["kind"]
            await scene.scan(name, [gateway])
        await asyncio.sleep(LEASE_S / 2)
        scene.room.look()
        assert printed == scene.room.printed

        waiting = (await scene.client.get(f"{gateway.url}/v1/waiting")).json()["jobs"]
        assert [("s3", "s3-1", "stale")] == [
            (job["station"], job["order_id"], job["state"]) for job in waiting
        ]
        await _act(scene, f"/v1/jobs/{waiting[0]['job_id']}/settle", answer="give_up")
        for name in KINDS:
            await _act(scene, f"/v1/stations/{name}/release")

        async def fresh() -> bool:
            scene.room.look()
            return all(len(scene.room.printed[name]) == 3 for name in KINDS)

        await until(fresh, "the labels of the new orders")
        every = [code for codes in scene.room.printed.values() for code in codes]
        assert len(every) == len(set(every))
