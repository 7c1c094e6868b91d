"""The example adapter and the starting package, treated as a third party's."""

import asyncio
import json
import os
import runpy
import subprocess
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from adapters.errors import FateUnknown, StationFault
from adapters.line import Line, memory_pair
from adapters.trial_label import order
from gateway.commands.adapter import app
from schemas.station import MachineState, StationCondition

_EXAMPLE = Path(__file__).parents[2] / "examples" / "custom_adapter"


def test_example_is_the_starting_package(tmp_path: Path) -> None:
    """`adapter new` writes what the example holds, so that neither goes stale."""
    result = CliRunner().invoke(app, ["new", "acknowledged", "--into", str(tmp_path)])
    assert result.exit_code == 0
    written = {p.name: p.read_text() for p in (tmp_path / "acknowledged").iterdir()}
    kept = {p.name: p.read_text() for p in _EXAMPLE.iterdir() if p.is_file()}
    assert written == kept


def test_example_stays_small() -> None:
    """An adapter is an afternoon's work: below 80 lines."""
    assert len((_EXAMPLE / "acknowledged.py").read_text().splitlines()) < 80


@pytest.mark.slow
def test_example_installed_like_a_third_party_passes_the_kit(tmp_path: Path) -> None:
    """Built, installed beside the gateway and found by its entry point, its tests are green."""
    uv = Path(sys.executable).with_name("uv")
    install = [uv, "pip", "install", "-q", "--no-deps", "--target", tmp_path, _EXAMPLE]
    subprocess.run([*install, "--python", sys.executable], check=True, timeout=100)
    tests = tmp_path / "tests"
    tests.mkdir()
    (tests / "test_it.py").write_text((_EXAMPLE / "test_acknowledged.py").read_text())
    (tests / "pytest.ini").write_text("[pytest]\nasyncio_mode = strict\n")
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:randomly", tests],
        cwd=tests,
        # The tree that these tests stand in, wherever the installed one lies.
        env={**os.environ, "PYTHONPATH": f"{tmp_path}{os.pathsep}{_EXAMPLE.parents[1]}"},
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout
    assert " passed" in ran.stdout


@pytest.mark.parametrize("name", ["Upper", "1st", "two words", "../up"])
def test_new_kind_with_a_bad_name_is_refused(tmp_path: Path, name: str) -> None:
    """A name that can't be a module's is refused before anything is written."""
    result = CliRunner().invoke(app, ["new", name, "--into", str(tmp_path)])
    assert result.exit_code == 2
    assert list(tmp_path.iterdir()) == []


def test_kinds_are_listed_with_what_they_know() -> None:
    """`adapter kinds` shows every kind that is installed."""
    result = CliRunner().invoke(app, ["kinds"])
    assert result.exit_code == 0
    names = {line.split()[0] for line in result.stdout.splitlines()}
    assert names >= {"tcp", "serial", "http", "modbus", "opcua", "mqtt", "folder", "simulated"}
    assert "not usable" not in result.stdout


def test_kinds_are_listed_with_what_they_report() -> None:
    """In words and as JSON."""
    words = CliRunner().invoke(app, ["kinds"]).stdout.splitlines()
    told = {line.split()[0]: line for line in words}
    assert "; reports nothing  [" in told["tcp"]
    assert "; reports scan  [" in told["scanner"]
    as_json = json.loads(CliRunner().invoke(app, ["kinds", "--json"]).stdout)
    reports = {one["kind"]: one["reports"] for one in as_json}
    assert [] == reports["tcp"]
    assert ["sealed", "state"] == [
        one for one in reports["modbus"] if one in {"sealed", "state", "scan"}
    ]


async def _answered(answer: bytes, ask: Callable[[Any], Awaitable[object]]) -> tuple[object, bool]:
    """What the example makes of an answer, and whether it let go of the line."""
    near, far = memory_pair()

    async def connect() -> Line:
        return near

    async def printer() -> None:
        await far.read(65536, 1)
        await far.write(answer, 1)

    source = _EXAMPLE / "acknowledged.py"
    adapter = runpy.run_path(str(source))["Acknowledged"]("s", connect, 0.5)
    printing = asyncio.create_task(printer())
    try:
        result: object = await ask(adapter)
    except StationFault as fault:
        result = fault
    await printing
    dropped = far.ended()
    await adapter.close()
    return result, dropped


@pytest.mark.parametrize(
    "answer", [b"DONE\n", b"DONE one\n", b"DONE %s\n" % (b"9" * 300), b"NO\n", b"\n", b"READY\n"]
)
async def test_example_takes_no_answer_without_sense(answer: bytes) -> None:
    """The fate is unknown, and the line is dropped: the true answer may come behind it."""
    result, dropped = await _answered(answer, lambda adapter: adapter.deliver(order("one")))
    assert isinstance(result, FateUnknown)
    assert dropped


@pytest.mark.parametrize(
    ("answer", "state", "keeps"),
    [
        (b"READY\n", MachineState.IDLE, True),
        (b"PERSON %s\n" % (b"x" * 300), MachineState.HELD, True),
        (b"DONE 1\n", MachineState.UNKNOWN, False),
    ],
)
async def test_example_tells_the_state_that_it_was_told(
    answer: bytes, state: MachineState, keeps: bool
) -> None:
    """However long the reason is; what is no state is unknown."""
    result, dropped = await _answered(answer, lambda adapter: adapter.state())
    assert isinstance(result, StationCondition)
    assert state is result.state
    assert keeps is not dropped
