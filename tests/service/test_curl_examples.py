"""examples/curl.md is true: every call in it gives the status that it says, on a real service."""

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from rigs.servers import free_port

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "examples" / "curl.md").read_text(encoding="utf-8")
CALLS = re.findall(r"```sh\n# (\d+)\n(.+?)```", GUIDE, re.DOTALL)
START_WITHIN_S = 60


def _wait_for(url: str, process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + START_WITHIN_S
    while time.monotonic() < deadline:
        assert process.poll() is None, "it ended before it was ready"
        try:
            if httpx.get(url, timeout=1).is_success:
                return
        except httpx.TransportError:
            time.sleep(0.05)
    pytest.fail(f"{url} did not answer")


@pytest.fixture(scope="module")
def gateway_port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """Room, warehouse system and gateway, started as the guide says, on free ports."""
    folder = tmp_path_factory.mktemp("by-hand")
    site = (ROOT / "examples" / "room.toml").read_text(encoding="utf-8")
    ports = {port: free_port() for port in (8080, 8090, 9101, 9102, 9103, 9104)}
    for old, new in ports.items():
        site = site.replace(str(old), str(new))
    file = folder / "room.toml"
    file.write_text(site, encoding="utf-8")
    commands = [
        [str(ROOT / "examples/room.py"), str(file)],
        [str(ROOT / "examples/wms.py"), "--port", str(ports[8090])],
        ["-m", "gateway", "serve", str(file)],
    ]
    with (folder / "log").open("wb") as log:
        started = [
            subprocess.Popen([sys.executable, *command], cwd=folder, stdout=log, stderr=log)
            for command in commands
        ]
        try:
            _wait_for(f"http://127.0.0.1:{ports[8090]}/healthz", started[1])
            _wait_for(f"http://127.0.0.1:{ports[8080]}/readyz", started[2])
            yield ports[8080]
        finally:
            for process in reversed(started):
                process.send_signal(signal.SIGINT)
            for process in started:
                process.wait(30)


def test_guide_has_calls() -> None:
    """The blocks are found, and none is left out for being written otherwise."""
    assert len(CALLS) == GUIDE.count("```sh")
    assert len(CALLS) >= 12


def test_every_call_gives_the_status_that_the_guide_says(gateway_port: int) -> None:
    """The guide's calls, one after the other, as a reader makes them."""
    if shutil.which("curl") is None:
        pytest.fail("CI must have curl") if os.environ.get("CI") else pytest.skip("no curl here")
    told = []
    for _, call in CALLS:
        command = call.replace("127.0.0.1:8080", f"127.0.0.1:{gateway_port}").rstrip()
        done = subprocess.run(
            ["bash", "-c", f"{command} -o /dev/null -w '%{{http_code}}'"],
            cwd=ROOT, check=True, capture_output=True, text=True,
        )  # fmt: skip
        told.append((done.stdout, call))
    assert CALLS == told
