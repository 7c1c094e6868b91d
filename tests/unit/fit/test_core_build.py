"""The core is compiled where a compiler works, and nothing breaks where none does."""

import ctypes
import importlib.util
import shutil
from pathlib import Path
from types import ModuleType

import pytest

from gateway.fit import core

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def hook() -> ModuleType:
    """The build hook, which is no part of a package."""
    spec = importlib.util.spec_from_file_location("hatch_build", ROOT / ".ci" / "hatch_build.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def sources(tmp_path: Path) -> Path:
    """A copy of the sources, without anything compiled."""
    return Path(
        shutil.copytree(core.SOURCES, tmp_path / "c", ignore=shutil.ignore_patterns("*.so"))
    )


def test_without_a_compiler_nothing_is_made_and_nothing_fails(
    hook: ModuleType, sources: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The install goes on; the fit then searches in Python."""
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.setenv("CC", "/nowhere/cc")
    before = sorted(sources.iterdir())
    assert hook.compiled(sources / "front.c", sources / "core_0.so") is False
    assert before == sorted(sources.iterdir())


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
def test_compiler_makes_a_library_that_replaces_older_ones(hook: ModuleType, sources: Path) -> None:
    """One library is left, and it has what is called."""
    (sources / "core_older.so").touch()
    made = sources / "core_0.so"
    assert hook.compiled(sources / "front.c", made) is True
    assert [made] == list(sources.glob("*.so"))
    assert core.Compiled(made).front
    assert ctypes.CDLL(str(made)).bagrelay_floor


def test_library_of_an_older_source_is_not_taken(
    sources: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its name is the digest of its source: another source looks for another file."""
    monkeypatch.setattr(core, "SOURCES", sources)
    before = core.library()
    with (sources / "front.c").open("a", encoding="utf-8") as source:
        source.write("/* another */\n")
    assert before != core.library()
