"""What the tests of label making share: the published vectors and the independent renderer."""

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from rigs.zpl import ZplRenderer


@pytest.fixture(scope="session")
def vectors() -> dict[str, Any]:
    """Published examples, each with its source."""
    file = Path(__file__).parents[3] / "vectors" / "label_vectors.toml"
    return tomllib.loads(file.read_text("utf-8"))


@pytest.fixture(scope="session")
def renderer() -> Iterator[ZplRenderer]:
    """The independent renderer of ZPL, one process for all tests."""
    if reason := ZplRenderer.missing():
        pytest.skip(reason)
    with ZplRenderer() as running:
        yield running
