"""The kit against adapters that are wrong on purpose: what it is there for must be found."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

_ROOT = Path(__file__).parents[2]
_HEAD = """
from collections.abc import AsyncIterator

from acknowledged import Acknowledged
from adapters.kit import StationConformance
from adapters.simulated import Simulated
from schemas.station import Signal
from test_acknowledged import AcknowledgedPrinter
from tests.rigs.simulated import SimulatedRig

"""
_STALE = """
class Stale(Acknowledged):
    async def ask_line(self, data, within_s):
        line = await self.living()
        await line.write(data, within_s)
        heard = b""
        while not heard.endswith(b"\\n"):
            heard += await line.read(1, within_s)
        return heard.decode().strip()

    def drop(self):
        pass

class TestIt(StationConformance):
    kind = Stale
    far_end = AcknowledgedPrinter
"""
_WITHOUT_DETAILS = """
class Terse(Simulated):
    async def signals(self) -> AsyncIterator[Signal]:
        async for signal in super().signals():
            yield Signal(kind=signal.kind, number=signal.number)

class TestIt(StationConformance):
    kind = Terse
    far_end = SimulatedRig
"""
_OF_ONE_SIZE = """
class OneSize(Simulated):
    async def deliver(self, order):
        return await super().deliver(order.model_copy(update={"length_mm": 350.0}))

class TestIt(StationConformance):
    kind = OneSize
    far_end = SimulatedRig
"""
_HONEST = """
class TestIt(StationConformance):
    kind = "simulated"
    far_end = SimulatedRig
"""


def _run(folder: Path, body: str, check: str) -> tuple[int, str]:
    """The exit code and the words of one check, run as an author runs it."""
    (folder / "test_it.py").write_text(_HEAD + body)
    (folder / "pytest.ini").write_text("[pytest]\nasyncio_mode = strict\n")
    paths = (str(_ROOT), str(_ROOT / "examples" / "custom_adapter"))
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-v", "-p", "no:randomly", "-k", check, folder],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    return ran.returncode, ran.stdout


@pytest.mark.parametrize(
    ("body", "check", "words"),
    [
        (_STALE, "test_after_garbage_the_next_job_prints", "an answer of another job"),
        (_WITHOUT_DETAILS, "test_reports_come_once_and_in_order", "9521234000001"),
        (_OF_ONE_SIZE, "test_size_of_the_bag_is_that_of_the_order", "310.5"),
    ],
    ids=["a late answer", "reports without details", "bags of one size"],
)
def test_what_is_wrong_is_found(tmp_path: Path, body: str, check: str, words: str) -> None:
    """One check fails, and says what is wrong."""
    code, said = _run(tmp_path, body, check)
    assert 1 == code, said
    assert "1 failed" in said
    assert words in said


def test_claims_that_no_check_proved_are_named(tmp_path: Path) -> None:
    """A passed check proves its claim in the closing lines, a failed or absent one does not."""
    code, said = _run(tmp_path, _HONEST, "size_of_the_bag or printed_is_said_only")
    assert 0 == code, said
    closing = said[said.index("station kit") :]
    assert "TestIt claims accepted, printed, sealed, drops_repeats" in closing
    assert (
        "no check of this run proved accepted, sealed, drops_repeats, can_be_asked, "
        "counts_labels, reports, holds, passes_by\n"
    ) in closing
    folder = tmp_path / "wrong"
    folder.mkdir()
    code, said = _run(folder, _OF_ONE_SIZE, "size_of_the_bag")
    assert 1 == code, said
    assert "makes_bags" in said[said.index("no check of this run proved") :].splitlines()[0]
