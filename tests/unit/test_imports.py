"""The tree is the architecture: imports run one way, and importing costs only what is used."""

import ast
import subprocess
import sys
from collections.abc import Collection
from graphlib import TopologicalSorter
from importlib.metadata import distribution
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = ("schemas", "adapters", "gateway")


def _python(code: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, check=False, capture_output=True, text=True
    )
    assert 0 == done.returncode, done.stderr
    return done.stdout


def test_imports_keep_to_the_design() -> None:
    """import-linter's contracts in pyproject.toml hold: layers, purity, dispatch, adapters."""
    linter = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run(
        [linter, "--no-cache"], cwd=ROOT, check=False, capture_output=True, text=True
    )
    assert 0 == done.returncode, done.stdout


def _modules() -> dict[str, Path]:
    found = {}
    for package in PACKAGES:
        for path in (ROOT / package).rglob("*.py"):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def _needs(path: Path, known: Collection[str]) -> set[str]:
    """Modules of ours that must be imported before this one can be."""
    needs = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Import):
            needs |= {alias.name for alias in node.names} & set(known)
        if isinstance(node, ast.ImportFrom) and node.module:
            inside = {f"{node.module}.{alias.name}" for alias in node.names} & set(known)
            needs |= inside or {node.module} & set(known)
    return needs


def test_no_module_needs_itself() -> None:
    """Imports form no ring, so that any module may be the first that is imported."""
    modules = _modules()
    graph = {name: _needs(path, modules) - {name} for name, path in modules.items()}
    assert len(modules) == len(list(TopologicalSorter(graph).static_order()))


@pytest.mark.parametrize(
    ("module", "unwanted"),
    [
        ("schemas.site", {"fastapi", "sqlalchemy", "numpy", "adapters", "gateway"}),
        ("adapters.contract", {"serialx", "pymodbus", "asyncua", "paho", "httpx", "gateway"}),
        ("adapters.registry", {"serialx", "pymodbus", "asyncua", "paho", "httpx", "gateway"}),
        (
            "gateway.commands.root",
            {"fastapi", "sqlalchemy", "numpy", "uvicorn", "PIL", "reportlab"},
        ),
    ],
)
def test_import_brings_nothing_unused(module: str, unwanted: set[str]) -> None:
    """The contract brings no device library, and the command line no server, before it is asked."""
    loaded = _python(f"import {module}, sys; print(*sys.modules)").split()
    assert set() == unwanted & {name.split(".")[0] for name in loaded}


def test_packages_come_from_one_place() -> None:
    """Another distribution that has a package called adapters is not imported by mistake."""
    places = _python(
        "import schemas, adapters, gateway, pathlib\n"
        "for m in (schemas, adapters, gateway):\n"
        "    print(pathlib.Path(m.__file__).parents[1])"
    )
    assert 1 == len(set(places.splitlines()))


def test_entry_points_name_what_exists() -> None:
    """The console script and every station kind of ours lead to something that can be loaded."""
    points = distribution("bagrelay").entry_points
    assert {"bagrelay"} == {p.name for p in points if p.group == "console_scripts"}
    kinds = [p for p in points if p.group == "bagrelay.adapters"]
    assert {"simulated", "tcp"} <= {p.name for p in kinds}
    assert all(point.load() for point in points if point.group != "console_scripts")
