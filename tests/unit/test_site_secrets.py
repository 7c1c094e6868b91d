"""A secret in a site file is one fault to mend, and a line that wants one and has none says so."""

from pathlib import Path

import pytest

from gateway.site_checks import cross_checks
from gateway.site_file import Finding, Severity, read_text

ROOM = (Path(__file__).parents[2] / "examples" / "room.toml").read_text(encoding="utf-8")
TCP = 'kind = "tcp"\noptions = { host = "127.0.0.1", port = 9104 }'


def _findings(line: str) -> list[Finding]:
    assert TCP in ROOM, "the example no longer has this line"
    reading = read_text(ROOM.replace(TCP, line))
    return [*reading.findings, *cross_checks(reading)]


def _http(options: str) -> str:
    more = f", {options}" if options else ""
    return f'kind = "http"\noptions = {{ url = "http://127.0.0.1:9104"{more} }}'


@pytest.mark.parametrize(
    "line",
    [
        TCP.replace(" }", ', password = "x" }'),  # an option that the kind does not know
        _http('secret = "x"'),  # one that it knows, and wants by the name of a file
    ],
)
def test_secret_in_clear_is_told_once(line: str) -> None:
    """The kind refuses the option too, and would say the same in other words."""
    (error,) = [f for f in _findings(line) if f.severity is Severity.ERROR]
    assert "looks like a secret" in error.text


def test_other_fault_beside_a_secret_is_told_too() -> None:
    """Only what the kind says of the secret itself is left out."""
    line = _http('secret = "x"').replace("http://127", "127")
    texts = [f.text for f in _findings(line) if f.severity is Severity.ERROR]
    assert 2 == len(texts)
    assert 1 == sum("looks like a secret" in text for text in texts)
    assert 1 == sum("is no http or https address" in text for text in texts)


@pytest.mark.parametrize(
    ("options", "told"),
    [("", True), ('token_env = "PATH"', True), ('secret_env = "PATH"', False)],
)
def test_http_line_without_a_secret_is_noted(options: str, told: bool) -> None:
    """Nobody learns from a quiet station that its reports were never to be taken."""
    found = [f for f in _findings(_http(options)) if "reports by itself" in f.text]
    assert [Severity.NOTE] * told == [f.severity for f in found]
    at = ROOM.replace(TCP, _http(options)).splitlines()
    assert all(f.line is not None and "127.0.0.1:9104" in at[f.line - 1] for f in found)
