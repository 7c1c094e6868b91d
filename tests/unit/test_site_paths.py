"""Paths in a site file, and the example that has every way in and out."""

from pathlib import Path

from gateway.queue_checks import queue_checks
from gateway.site_file import Severity, load, read_file
from schemas.queues import Broker

EXAMPLE = Path(__file__).parents[2] / "examples" / "ways_in_and_out.toml"


def test_every_relative_path_is_taken_from_the_files_folder(tmp_path: Path) -> None:
    """Wherever the gateway is started; an absolute path means itself."""
    file = tmp_path / "site.toml"
    text = EXAMPLE.read_text(encoding="utf-8")
    text = text.replace('password_file = "secrets/mqtt"', 'password_file = "/run/secrets/mqtt"')
    file.write_text(text, encoding="utf-8")
    site = load(file)
    by_id = {queue.id: queue for queue in site.queue}
    assert site.folder_in is not None
    assert tmp_path / "drop" == site.folder_in.path
    assert tmp_path / "tls" / "broker-ca.pem" == by_id["wms"].ca_file
    assert tmp_path / "tls" / "gateway.key" == by_id["wms"].key_file
    assert tmp_path / "secrets" / "erp" == site.webhook[0].secret_file
    assert Path("/run/secrets/mqtt") == by_id["sorter"].password_file


def test_example_of_ways_is_good_but_for_its_invented_files() -> None:
    """It reads without a fault, has every kind of way, and `check` misses only its files."""
    reading = read_file(EXAMPLE)
    assert () == reading.findings
    site = reading.site
    assert site is not None
    assert set(Broker) == {queue.broker for queue in site.queue}
    assert {True, False} == {scanner.port is None for scanner in site.scanner}
    assert (1, True) == (len(site.webhook), site.folder_in is not None)
    found = [one for one in queue_checks(site, reading) if one.severity is not Severity.NOTE]
    missing = ("ca_file", "cert_file", "key_file", "password_file", "secret_file", "path")
    assert [*missing] == [one.where.rpartition(", ")[2] for one in found]
