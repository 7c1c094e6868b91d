"""Brokers over TLS with certificates on both sides: real brokers, an authority made in the test.

Each broker has a second, plain listener for the outside, so that what is watched here needs no
certificate. Names are checked as RFC 9525 says; the brokers' own settings ask for the certificate.
"""

import asyncio
import json
import secrets
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509

from gateway.site_connections import try_connections
from gateway.site_file import Reading, Severity
from schemas.site import Site
from tests.contract.broker_clients import Reader, publish
from tests.rigs.servers import Mosquitto, Nats, RabbitMq, Server, free_port
from tests.service.brokers import started
from tests.service.gateway_rig import Rig, order, running, station, until
from tests.service.test_access_tls import Authority

pytestmark = pytest.mark.filterwarnings(
    # aio-pika drops a coroutine of its own when a connection is cut
    "ignore:coroutine 'Connection.close' was never awaited",
    "ignore:Exception ignored in. <coroutine object Connection.close:"
    "pytest.PytestUnraisableExceptionWarning",
)

HERE: list[x509.GeneralName] = [x509.IPAddress(ip_address("127.0.0.1"))]


class SecureNats(Nats):
    """Takes connections without TLS too, on the same port; certificates are asked for."""

    def command(self) -> list[str]:
        settings = self.folder / "nats.conf"
        settings.write_text(
            f'tls {{ cert_file: "{self.folder}/tls.crt", key_file: "{self.folder}/tls.key",'
            f' ca_file: "{self.folder}/ca.pem", verify: true }}\nallow_non_tls: true\n'
        )
        return [*super().command(), "-c", str(settings)]

    @property
    def secure_url(self) -> str:
        return f"tls://127.0.0.1:{self.port}"


class SecureMosquitto(Mosquitto):
    """A second listener that asks for certificates."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.secure_port = free_port()

    def command(self) -> list[str]:
        made = super().command()
        with (self.folder / "mosquitto.conf").open("a") as settings:
            settings.write(
                f"listener {self.secure_port} 127.0.0.1\ncertfile {self.folder}/tls.crt\n"
                f"keyfile {self.folder}/tls.key\ncafile {self.folder}/ca.pem\n"
                "require_certificate true\n"
            )
        return made

    @property
    def secure_url(self) -> str:
        return f"mqtts://127.0.0.1:{self.secure_port}"


class SecureRabbitMq(RabbitMq):
    """A second listener that asks for certificates."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.secure_port = free_port()

    def environment(self) -> Mapping[str, str]:
        settings = self.folder / "tls.conf"
        settings.write_text(
            f"listeners.ssl.default = 127.0.0.1:{self.secure_port}\n"
            f"ssl_options.cacertfile = {self.folder}/ca.pem\n"
            f"ssl_options.certfile = {self.folder}/tls.crt\n"
            f"ssl_options.keyfile = {self.folder}/tls.key\n"
            "ssl_options.verify = verify_peer\nssl_options.fail_if_no_peer_cert = true\n"
        )
        return {**super().environment(), "RABBITMQ_CONFIG_FILE": str(settings)}

    @property
    def secure_url(self) -> str:
        return f"amqps://127.0.0.1:{self.secure_port}/"


@dataclass(frozen=True)
class Secured:
    """A broker, and the authority that signed its certificate."""

    server: Server
    ours: Authority

    def section(self, **more: object) -> dict[str, Any]:
        """A queue of the site file with names that no other test has."""
        name = secrets.token_hex(4)
        return {
            "id": f"q{name}",
            "url": self.server.secure_url,  # type: ignore[attr-defined]
            "take_from": f"in.{name}",
            "send_to": f"out.{name}",
            "dead": f"dead.{name}",
            **self._login(),
            **more,
        }

    def _login(self) -> dict[str, str]:
        if not isinstance(self.server, RabbitMq):
            return {}
        file = self.server.folder / "password"
        file.write_text("guest")
        return {"user": "guest", "password_file": str(file)}

    @property
    def url(self) -> str:
        """The plain listener."""
        return str(self.server.url)  # type: ignore[attr-defined]


@pytest.fixture(params=[SecureNats, SecureMosquitto, SecureRabbitMq], ids=lambda made: made.name)
def secured(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Secured]:
    """Each kind in turn."""
    make: Callable[[Path], Server] = request.param
    folder = tmp_path / "broker"
    folder.mkdir()
    ours = Authority(folder, "ca")
    cert, key = ours.certificate("broker", HERE)
    cert.rename(folder / "tls.crt")
    key.rename(folder / "tls.key")
    for server in started(make, folder):
        yield Secured(server, ours)


async def _way(rig: Rig) -> dict[str, Any]:
    told: dict[str, Any] = (await rig.client.get("/v1/queues")).json()["ways_in"][0]
    return told


async def test_events_go_both_ways_with_certificates(secured: Secured, tmp_path: Path) -> None:
    """With the broker's authority and a certificate of our own, events come in and go out."""
    cert, key = secured.ours.certificate("gateway")
    files = {"ca_file": secured.ours.file, "cert_file": cert, "key_file": key}
    section = secured.section(**{name: str(file) for name, file in files.items()})
    async with running(tmp_path, station("s1"), queue=[section]) as rig:

        async def connected() -> bool:
            return bool((await _way(rig))["connected"])

        await until(connected, "the queue to be connected")
        async with Reader(secured.url, section["send_to"]) as reader:
            event = rig.event("order.scanned", "s1", code="o1", order=order("o1"))
            await publish(secured.url, section["take_from"], json.dumps(event).encode())
            seen = json.loads((await reader.next()).body)
    assert "bagrelay.order.decided.v1" == seen["type"]


@pytest.mark.parametrize("lacking", ["ours", "theirs", "file"])
async def test_who_proves_nothing_is_not_spoken_to(
    secured: Secured, tmp_path: Path, lacking: str
) -> None:
    """A broker signed by another authority is left alone; a broker that asks for a certificate
    leaves us alone without one; a file that isn't there is named. All of it is said."""
    stranger = Authority(tmp_path, "stranger")
    files: dict[str, object] = {
        "ours": {"ca_file": secured.ours.file},
        "theirs": {"ca_file": stranger.file},
        "file": {"ca_file": tmp_path / "none.pem"},
    }[lacking]  # type: ignore[assignment]
    section = secured.section(**{name: str(file) for name, file in files.items()})  # type: ignore[attr-defined]
    async with running(tmp_path, station("s1"), queue=[section]) as rig:

        async def told() -> dict[str, Any] | None:
            way = await _way(rig)
            return way if way["text"] not in ("", "not yet connected") else None

        way = await until(told, "the queue to be refused")
        for _ in range(3):
            assert not (await _way(rig))["connected"]
            await asyncio.sleep(0.05)
    expected = {"ours": "", "theirs": "certificate", "file": "none.pem"}[lacking]
    assert expected in way["text"].lower(), way["text"]


async def test_check_says_which_broker_answers(secured: Secured, tmp_path: Path) -> None:
    """`bagrelay check --connect` greets each broker, and says why one can't be reached."""
    cert, key = secured.ours.certificate("gateway")
    ours = {"ca_file": secured.ours.file, "cert_file": cert, "key_file": key}
    theirs = {**ours, "ca_file": Authority(tmp_path, "stranger").file}
    site = Site.model_validate(
        {
            "name": "rig",
            "gs1": {"company_prefix": "9521234"},
            "station": [],
            "queue": [secured.section(**files) for files in (ours, theirs)],
        }
    )
    good, bad = await try_connections(site, Reading("site", site, (), {}))
    assert (Severity.NOTE, "reached") == (good.severity, good.text)
    assert Severity.WARNING is bad.severity
    assert "certificate" in bad.text.lower(), bad.text


async def test_server_without_tls_is_told_nothing(tmp_path: Path) -> None:
    """A NATS server says itself, unsecured, whether it wants TLS: that can't talk us out of it."""
    (folder := tmp_path / "broker").mkdir()
    secret = tmp_path / "password"
    secret.write_text("not to be told")
    for server in started(Nats, folder):
        url = f"tls://127.0.0.1:{server.port}"
        section = {"id": "q1", "url": url, "user": "u", "password_file": str(secret)}
        async with running(tmp_path, station("s1"), queue=[section]) as rig:

            async def told() -> bool:
                return "no TLS" in (await _way(rig))["text"]

            await until(told, "the queue to be refused")
            assert not (await _way(rig))["connected"]
