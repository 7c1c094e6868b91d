"""The page about a station's lines says what is so: its examples build, and no kind is left out."""

import os
import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest

from adapters import machine, registry
from adapters.callbacks import HEADER, read_signed
from adapters.contract import LineSettings
from schemas.station import LineToStation, MachineState, SignalKind

_PAGE = (Path(__file__).parents[3] / "examples" / "lines-of-a-station.md").read_text("utf-8")
_EXAMPLES = re.findall(r"```toml\n(.*?)```", _PAGE, re.DOTALL)
_ON_THE_PAGE = {"serial", "serial-counted"}
_FOR_TESTS = {"simulated"}
_SECRET = "a secret of the page"


@pytest.mark.parametrize("text", _EXAMPLES)
def test_each_example_builds(text: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """As the start of a gateway would build it."""
    secret = tmp_path / "bagger-3.secret"
    secret.write_text(_SECRET, encoding="utf-8")
    text = text.replace("/etc/bagrelay/bagger-3.secret", str(secret))
    monkeypatch.setenv("MACHINE_PASSWORD", "a demo word")
    monkeypatch.setenv("BROKER_PASSWORD", "a demo word")
    line = LineToStation.model_validate(tomllib.loads(text))
    assert registry.build(line.kind, LineSettings("s", line.options)) is not None


def test_each_kind_is_there() -> None:
    """Every kind of ours has an example or is named as a variant of one."""
    shown = {tomllib.loads(text)["kind"] for text in _EXAMPLES}
    assert all(f"`{kind}`" in _PAGE for kind in _ON_THE_PAGE)
    ours = {kind.name for kind in registry._OURS}
    assert ours == shown | _ON_THE_PAGE | _FOR_TESTS


def test_each_value_of_a_machine_is_there() -> None:
    """Every value that may be named stands in the table."""
    assert [] == [name for name in machine.NAMES if f"`{name}`" not in _PAGE]


@pytest.mark.parametrize("kind", SignalKind)
def test_each_kind_of_report_is_there(kind: SignalKind) -> None:
    """Every kind that a station may send has its row."""
    assert re.search(rf"^\| `{kind.value}`", _PAGE, re.MULTILINE)


def test_report_that_the_page_signs_is_taken(tmp_path: Path) -> None:
    """The page's own shell signs with the real openssl; only what would be sent is written down."""
    if shutil.which("openssl") is None:
        pytest.fail("CI must have openssl") if os.environ.get("CI") else pytest.skip("no openssl")
    (script,) = re.findall(r"```sh\n(.*?)```", _PAGE, re.DOTALL)
    (tmp_path / "bagger-3.secret").write_text(f"{_SECRET}\n", encoding="utf-8")
    told = subprocess.run(
        ["bash", "-c", f"curl() {{ printf '%s\\n' \"$@\"; }}\n{script}"],
        cwd=tmp_path, check=True, capture_output=True, text=True,
    )  # fmt: skip
    lines = told.stdout.splitlines()
    assert "http://127.0.0.1:8080/v1/stations/bagger-3/reports" in lines
    (signature,) = [line.removeprefix(f"{HEADER}: ") for line in lines if line.startswith(HEADER)]
    signal = read_signed(_SECRET.encode(), "bagger-3", signature, lines[-1].encode())
    assert (SignalKind.STATE, MachineState.HELD) == (signal.kind, signal.state)
