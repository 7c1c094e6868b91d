"""What every command tells of itself before anybody runs it."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from gateway.commands.root import app


def _commands(command: Any, *path: str) -> Iterator[tuple[str, Any]]:
    below = getattr(command, "commands", None)
    if below is None:
        yield " ".join(path), command
    else:
        for name, one in below.items():
            yield from _commands(one, *path, name)


@pytest.mark.parametrize(("name", "command"), list(_commands(get_command(app))))
def test_help_tells_the_exit_codes(name: str, command: Any) -> None:
    """A script that calls it must know what a code other than 0 means."""
    told = command.help or ""
    assert "Exit code" in told, name
    undocumented = [p.name for p in command.params if not getattr(p, "help", "")]
    assert not undocumented, f"{name}: {undocumented}"


def test_find_refuses_a_site_file_that_is_wrong(tmp_path: Path) -> None:
    """Compared with a file that can't be read, everything found would look like a stranger."""
    wrong = tmp_path / "site.toml"
    wrong.write_text("name = ")
    words = ["stations", "find", "--interface", "127.0.0.1", "--site", str(wrong)]
    assert 2 == CliRunner().invoke(app, words).exit_code
