"""What is built and installed is complete, and the two commands of the README set everything up."""

import itertools
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built without the network by the pinned build backend."""
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=ROOT, check=True, capture_output=True,
    )  # fmt: skip
    (built,) = folder.glob("*.whl")
    return built


def test_wheel_holds_every_file_of_the_packages(wheel: Path) -> None:
    """Templates, fonts, migrations, pages and generated documents are in it, not only modules."""
    listed = subprocess.run(
        ["git", "ls-files", "schemas", "adapters", "gateway"],
        cwd=ROOT, check=True, capture_output=True, text=True,
    )  # fmt: skip
    assert set(listed.stdout.split()) <= set(zipfile.ZipFile(wheel).namelist())


def test_installed_program_runs_away_from_the_clone(wheel: Path, tmp_path: Path) -> None:
    """From its wheel alone, in another folder, the program starts and checks the example."""
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(tmp_path)
    done = subprocess.run(
        [sys.executable, "-P", "-m", "gateway", "check", str(ROOT / "examples" / "room.toml")],
        cwd=tmp_path, check=False, capture_output=True, text=True,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
    )  # fmt: skip
    assert 0 == done.returncode, done.stderr + done.stdout


def test_requirements_are_pinned_by_hash_and_name_no_host() -> None:
    """Every line of both lists is name==version with hashes; no index, no address, no path."""
    for name in ("requirements.txt", "requirements-dev.txt"):
        lines = (ROOT / "docker" / name).read_text(encoding="utf-8").splitlines()
        wanted = [line for line in lines if line and not line.startswith(("#", " "))]
        assert all("==" in line and line.endswith("\\") for line in wanted)
        assert not [line for line in lines if "://" in line or "index" in line or " @ " in line]
        assert len(wanted) == sum("--hash=sha256:" in after for after in _first_hashes(lines))


def _first_hashes(lines: list[str]) -> list[str]:
    return [
        after
        for before, after in itertools.pairwise(lines)
        if "==" in before and not before.startswith(("#", " "))
    ]


def test_runtime_list_holds_what_the_project_declares() -> None:
    """Nothing that pyproject.toml asks for is missing from the list that the image is made of."""
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [r for group in project["optional-dependencies"].values() for r in group]
    asked = {_name(requirement) for requirement in [*project["dependencies"], *extras]}
    lines = (ROOT / "docker" / "requirements.txt").read_text(encoding="utf-8").splitlines()
    listed = {line.split("==")[0].strip() for line in lines if "==" in line}
    assert set() == asked - listed


def _name(requirement: str) -> str:
    end = next((i for i, c in enumerate(requirement) if not (c.isalnum() or c in "-_.")), None)
    return requirement[:end].lower().replace("_", "-").replace(".", "-")


def test_second_run_of_a_command_installs_nothing(tmp_path: Path) -> None:
    """Where the stamp is right, set-up neither makes an environment nor calls pip."""
    code = (
        "import sys; sys.path.insert(0, '.ci'); import environment as e\n"
        "e.VENV = e.Path(sys.argv[1]); e.run_pip = e.make_venv = None\n"
        "e.ready(e.RUNTIME)"
    )
    venv = tmp_path / ".venv"
    (venv / "bin").mkdir(parents=True)
    (venv / "bin" / "python").symlink_to(sys.executable)
    stamp = subprocess.run(
        [sys.executable, "-c", code.replace("e.ready(e.RUNTIME)",
         "(e.VENV / '.requirements.stamp').write_text(e.digest_of(e.RUNTIME))"), str(venv)],
        cwd=ROOT, check=False, capture_output=True, text=True,
    )  # fmt: skip
    assert 0 == stamp.returncode, stamp.stderr
    again = subprocess.run(
        [sys.executable, "-c", code, str(venv)], cwd=ROOT, check=False, capture_output=True
    )
    assert (0, b"") == (again.returncode, again.stderr)
