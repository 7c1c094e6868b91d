"""The page about a station's lines says what is so: its examples build, and no kind is left out."""

import re
import tomllib
from pathlib import Path

import pytest

from adapters import machine, registry
from adapters.contract import LineSettings
from schemas.station import LineToStation

_PAGE = (Path(__file__).parents[3] / "examples" / "lines-of-a-station.md").read_text("utf-8")
_EXAMPLES = re.findall(r"```toml\n(.*?)```", _PAGE, re.DOTALL)
_ON_THE_PAGE = {"serial", "serial-counted"}
_FOR_TESTS = {"simulated"}


@pytest.mark.parametrize("text", _EXAMPLES)
def test_each_example_builds(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """As the start of a gateway would build it."""
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
