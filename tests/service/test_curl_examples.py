"""examples/curl.md is true: every call in it gives the status that it says, on a real service."""

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from rigs.by_hand import by_hand

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "examples" / "curl.md").read_text(encoding="utf-8")
CALLS = re.findall(r"```sh\n# (\d+)\n(.+?)```", GUIDE, re.DOTALL)


@pytest.fixture(scope="module")
def gateway(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a gateway that was started as the guide says."""
    with by_hand(tmp_path_factory.mktemp("by-hand")) as started:
        yield started.gateway


def test_guide_has_calls() -> None:
    """The blocks are found, and none is left out for being written otherwise."""
    assert len(CALLS) == GUIDE.count("```sh")
    assert len(CALLS) >= 12


def test_every_call_gives_the_status_that_the_guide_says(gateway: str) -> None:
    """The guide's calls, one after the other, as a reader makes them."""
    if shutil.which("curl") is None:
        pytest.fail("CI must have curl") if os.environ.get("CI") else pytest.skip("no curl here")
    told = []
    for _, call in CALLS:
        command = call.replace("http://127.0.0.1:8080", gateway).rstrip()
        done = subprocess.run(
            ["bash", "-c", f"{command} -o /dev/null -w '%{{http_code}}'"],
            cwd=ROOT, check=True, capture_output=True, text=True,
        )  # fmt: skip
        told.append((done.stdout, call))
    assert CALLS == told
