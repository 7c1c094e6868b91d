"""`bagrelay adapter check` against a station that runs."""

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from adapters.simulator import SimulatedStation, start
from gateway.commands.adapter import app

_SITE = """
name = "room"
[gs1]
company_prefix = "9521234"
[[station]]
id = "s1"
lines = [ {{ kind = "tcp-counted", role = "printer", options = {{ host = "{0}", port = {1} }} }} ]
"""


@pytest.fixture
async def station() -> AsyncIterator[SimulatedStation]:
    """A simulated station."""
    station = await start("trial")
    yield station
    await station.stop()


async def _run(*words: str) -> tuple[int, str]:
    result = await asyncio.to_thread(CliRunner().invoke, app, list(words))
    return result.exit_code, result.stdout


async def test_check_looks_and_prints_nothing(station: SimulatedStation) -> None:
    """Without --print the line is opened, asked and closed, and no label comes out."""
    host, port = station.station_address
    code, said = await _run("check", "simulated", f"host={host}", f"port={port}")
    assert code == 0
    assert "open: yes" in said
    assert "state: state idle, ready True" in said
    assert "labels printed so far: 0" in said
    assert station.printed_count == 0


async def test_check_as_json_is_one_object(station: SimulatedStation) -> None:
    """For scripts: what was found, and with a fault what it was."""
    host, port = station.printer_address
    words = ("check", "tcp-counted", f"host={host}", f"port={port}", "--json")
    code, said = await _run(*words, "--print")
    found = json.loads(said)
    assert (0, True, 0, "printed") == (
        code,
        found["open"],
        found["labels_printed"],
        found["label"]["stage"],
    )
    station.off()
    code, said = await _run(*words)
    found = json.loads(said)
    assert (1, "NothingSent", False) == (code, found["fault"]["kind"], found["open"])
    code, said = await _run("check", "tcp-counted", "port=none", "--json")
    found = json.loads(said)
    assert (2, "Misconfigured", False) == (code, found["fault"]["kind"], found["open"])


async def test_check_with_print_prints_one_label(station: SimulatedStation) -> None:
    """One trial label comes out."""
    host, port = station.printer_address
    code, said = await _run("check", "tcp-counted", f"host={host}", f"port={port}", "--print")
    assert code == 0
    assert "label: printed" in said
    assert "labels printed so far: 0" in said
    assert station.printed_codes == (("BAGRELAY-CHECK",),)


async def test_check_takes_a_station_of_the_site_file(
    station: SimulatedStation, tmp_path: Path
) -> None:
    """With --site the lines are those of the file."""
    site = tmp_path / "site.toml"
    await asyncio.to_thread(site.write_text, _SITE.format(*station.printer_address))
    code, said = await _run("check", "s1", "--site", str(site))
    assert code == 0
    assert "open: yes" in said
    code, said = await _run("check", "s9", "--site", str(site))
    assert code == 2


async def test_check_of_a_station_that_is_off_says_why(station: SimulatedStation) -> None:
    """The fault, in words, and exit code 1."""
    host, port = station.station_address
    station.off()
    code, said = await _run("check", "simulated", f"host={host}", f"port={port}")
    assert code == 1
    assert "NothingSent: station check" in said


@pytest.mark.parametrize("options", [["port"], ["port=9100", "hots=x"], ["port=many"]])
async def test_check_with_a_wrong_option_says_so(options: list[str]) -> None:
    """Not name=value, unknown, or of the wrong sort."""
    code, _ = await _run("check", "simulated", *options)
    assert 2 == code


@pytest.mark.parametrize(
    ("kind", "options", "named"),
    [
        ("tcp", ["hst=192.0.2.10", "port=9100"], "option host: is missing; hst: no option"),
        ("tcp", ["hst=192.0.2.10", "prot=9100"], "option host: is missing; hst, prot: no option"),
        ("tcp", ["port=9100"], "option host: is missing. Correct it."),
        ("http", ["ulr=http://192.0.2.10"], "option url: is missing; ulr: no option"),
        ("simulated", ["port=9100", "hots=x"], "option hots: is not an option"),
    ],
)
async def test_check_names_the_option_that_is_misspelt(
    kind: str, options: list[str], named: str
) -> None:
    """What was given in its place stands beside the missing one; no site file is spoken of."""
    code, said = await _run("check", kind, *options)
    assert 2 == code
    assert "Misconfigured: " in said
    assert named in said
    assert "site file" not in said


async def test_check_of_a_site_speaks_of_the_site_file(tmp_path: Path) -> None:
    """There it is the file that must be corrected."""
    site = tmp_path / "site.toml"
    text = _SITE.format("192.0.2.10", 9100).replace("host =", "hst =")
    await asyncio.to_thread(site.write_text, text)
    code, said = await _run("check", "s1", "--site", str(site))
    assert 2 == code
    assert "hst: no option of this kind. Correct it in the site file." in said
