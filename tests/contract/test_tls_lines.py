"""Lines over TLS, with certificates both ways, to peers that really speak it.

The authority and its certificates are made for each run; mosquitto is the broker, and the printer
is a server of asyncio with OpenSSL below.
"""

import asyncio
import os
import pwd
import socket
import ssl
import subprocess
from collections.abc import AsyncIterator
from ipaddress import ip_address
from pathlib import Path

import pytest
from cryptography import x509

from adapters.contract import LineSettings
from adapters.errors import FateUnknown, Misconfigured, NothingSent, StationFault
from adapters.kit import code_on, zpl_with
from adapters.kit.conformance import eventually
from adapters.mqtt import Mqtt
from adapters.tcp import RawTcp
from adapters.trial_label import graphic, order
from schemas.station import OptionValue, ReceiptStage
from tests.rigs.mqtt import MqttRig
from tests.rigs.servers import free_port
from tests.service.test_access_tls import Authority

_AT_REST = (
    b"\x02030,0,0,1218,000,0,0,0,000,0,0,0\x03\r\n"
    b"\x02000,0,0,0,0,2,4,0,00000000,1,000\x03\r\n"
    b"\x021234,0\x03\r\n"
)
_HERE: list[x509.GeneralName] = [x509.IPAddress(ip_address("127.0.0.1"))]


class Files:
    """The site's authority, the far end's certificate, and ours."""

    def __init__(self, folder: Path) -> None:
        self.authority = Authority(folder, "ours")
        self.far = self.authority.certificate("far", _HERE)
        self.elsewhere = self.authority.certificate("other", [x509.DNSName("other.invalid")])
        self.near = self.authority.certificate("near")
        self.stranger = Authority(folder, "stranger")

    def ours(self) -> dict[str, OptionValue]:
        """Options of a line that shows a certificate."""
        cert, key = self.near
        return {**self.trusting(), "cert_file": str(cert), "key_file": str(key)}

    def trusting(self) -> dict[str, OptionValue]:
        """Options of a line that shows none."""
        return {"tls": True, "ca_file": str(self.authority.file)}


@pytest.fixture
def files(tmp_path: Path) -> Files:
    """Certificates of this test."""
    return Files(tmp_path)


class TlsPrinter:
    """Takes labels over TLS, and tells its status when it is asked."""

    def __init__(self, files: Files, cert: tuple[Path, Path], *, wants_ours: bool) -> None:
        self._context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        self._context.load_cert_chain(*cert)
        if wants_ours:
            self._context.load_verify_locations(files.authority.file)
            self._context.verify_mode = ssl.CERT_REQUIRED
        self.labels: list[bytes] = []
        self.reads = asyncio.Event()
        self.reads.set()
        self.reset_after: int | None = None
        self.lines: set[asyncio.StreamWriter] = set()

    async def start(self) -> dict[str, OptionValue]:
        """Options of a line to it, without those of TLS."""
        door = socket.create_server(("127.0.0.1", 0))
        door.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 16384)
        self._server = await asyncio.start_server(
            self._serve, sock=door, ssl=self._context, limit=16384
        )
        host, port = self._server.sockets[0].getsockname()[:2]
        return {"host": host, "port": port, "ask": "zpl-status", "answer_s": 0.5, "write_s": 1.0}

    async def stop(self) -> None:
        """Drop every line."""
        self._server.close()
        self.reads.set()
        for line in list(self.lines):
            line.transport.abort()
        await self._server.wait_closed()
        await eventually(lambda: not self.lines, "a line stayed open")

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.lines.add(writer)
        held, heard = b"", 0
        try:
            while data := await reader.read(4096):
                held, heard = held + data, heard + len(data)
                if self.reset_after is not None and heard >= self.reset_after:
                    writer.transport.abort()
                while b"~HS\r\n" in held or b"^XZ" in held:
                    held = self._take(held, writer)
                await self.reads.wait()
        except OSError:
            pass
        finally:
            writer.close()
            self.lines.discard(writer)

    def _take(self, held: bytes, writer: asyncio.StreamWriter) -> bytes:
        if held.lstrip().startswith(b"~HS\r\n"):
            writer.write(_AT_REST)
            return held.lstrip()[5:]
        label, end, left = held.partition(b"^XZ")
        self.labels.append(label + end)
        return left


@pytest.fixture
async def printer(files: Files) -> AsyncIterator[TlsPrinter]:
    """A printer that wants our certificate."""
    printer = TlsPrinter(files, files.far, wants_ours=True)
    yield printer
    await printer.stop()


async def _line(printer: TlsPrinter, **tls: OptionValue) -> RawTcp:
    return RawTcp.from_settings(LineSettings("s", {**await printer.start(), **tls}))


async def test_labels_arrive_whole_and_are_accepted(printer: TlsPrinter, files: Files) -> None:
    """With certificates both ways, small and big labels, on one line."""
    line = await _line(printer, **files.ours())
    big = zpl_with("big", before=graphic(500_000))
    for name, label in (("one", zpl_with("one")), ("big", big), ("last", zpl_with("last"))):
        receipt = await line.deliver(order(name, label=label))
        assert receipt.stage is ReceiptStage.ACCEPTED
    assert [len(label) for label in printer.labels] == [
        len(zpl_with("one").rstrip()), len(big.rstrip()), len(zpl_with("last").rstrip()),
    ]  # fmt: skip
    assert 1 == len(printer.lines)
    await line.close()
    await eventually(lambda: not printer.lines, "the line stayed open")


async def test_without_our_certificate_nothing_is_sent(printer: TlsPrinter, files: Files) -> None:
    """TLS 1.3 tells of a missing certificate late: no label may have left by then."""
    line = await _line(printer, **files.trusting(), ask="none")
    for _ in range(2):
        with pytest.raises(NothingSent, match="TLS"):
            await line.deliver(order("none"))
    assert [] == printer.labels
    await line.close()


async def test_far_end_of_another_authority_is_not_trusted(
    printer: TlsPrinter, files: Files
) -> None:
    """Nobody between us and the printer reads addresses: the station is held, nothing is sent."""
    line = await _line(printer, **{**files.ours(), "ca_file": str(files.stranger.file)})
    with pytest.raises(Misconfigured, match="not trusted"):
        await line.open()
    await line.close()


async def test_certificate_of_another_host_is_not_trusted(files: Files) -> None:
    """Our own authority signed it, but for another machine."""
    printer = TlsPrinter(files, files.elsewhere, wants_ours=False)
    line = await _line(printer, **files.ours())
    with pytest.raises(Misconfigured, match="not trusted"):
        await line.open()
    await line.close()
    await printer.stop()


async def test_reset_amid_a_label_is_unknown(printer: TlsPrinter, files: Files) -> None:
    """Some records left: what the printer made of them, nobody knows."""
    line = await _line(printer, **files.ours())
    await line.deliver(order("before"))
    printer.reset_after = 0
    with pytest.raises(FateUnknown) as fault:
        await line._send(zpl_with("cut", before=graphic(500_000)))
    assert 0 < fault.value.bytes_sent
    printer.reset_after = None
    assert (await line.deliver(order("after"))).stage is ReceiptStage.ACCEPTED
    await line.close()


async def test_peer_that_never_reads_is_found_out(printer: TlsPrinter, files: Files) -> None:
    """It shook hands and then takes no more."""
    line = await _line(printer, **files.ours(), ask="none")
    await line.open()
    printer.reads.clear()
    with pytest.raises(FateUnknown):
        await line.deliver(order("mute", label=zpl_with("mute", before=graphic(3_900_000))))
    await line.close()


async def test_line_that_the_printer_closed_is_opened_anew(
    printer: TlsPrinter, files: Files
) -> None:
    """An orderly end between two labels, behind TLS's own messages that nobody read yet."""
    line = await _line(printer, **files.ours(), ask="none")
    await line.deliver(order("first"))
    for one in list(printer.lines):
        one.close()
    await asyncio.sleep(0.05)  # its goodbye crosses
    await line.deliver(order("second"))
    await eventually(lambda: len(printer.labels) == 2, "the second label did not arrive")
    assert "second" == code_on(printer.labels[1])
    await line.close()


@pytest.mark.parametrize("lacking", ["key_file", "cert_file"])
def test_half_a_certificate_is_refused_by_name(files: Files, lacking: str) -> None:
    """A certificate needs its key, and the other way round."""
    options = {key: value for key, value in files.ours().items() if key != lacking}
    with pytest.raises(Misconfigured, match=r"cert_file|key_file"):
        RawTcp.from_settings(LineSettings("s", {"host": "127.0.0.1", **options}))


# A broker that wants certificates and a password


@pytest.fixture
async def broker(files: Files, tmp_path: Path) -> AsyncIterator[tuple[MqttRig, int]]:
    """The station comes in by the plain door; we need TLS, our certificate and a password."""
    port, passwords = free_port(), tmp_path / "passwords"
    rig = MqttRig(
        broker_settings=(
            f"listener {port} 127.0.0.1\ncafile {files.authority.file}\n"
            f"certfile {files.far[0]}\nkeyfile {files.far[1]}\nrequire_certificate true\n"
            f"allow_anonymous false\npassword_file {passwords}\n"
            f"user {pwd.getpwuid(os.geteuid()).pw_name}\n"
        )
    )
    await asyncio.to_thread(
        subprocess.run,
        ["mosquitto_passwd", "-c", "-b", str(passwords), "gateway", "a demo word"],
        check=True,
        capture_output=True,
    )
    await rig.start()
    yield rig, port
    await rig.stop()


def _mqtt(rig: MqttRig, port: int, **more: OptionValue) -> Mqtt:
    options = {**rig.options(), "port": port, "user": "gateway", **more}
    return Mqtt.from_settings(LineSettings("kit", options))


async def test_station_behind_a_secured_broker_prints(
    broker: tuple[MqttRig, int], files: Files, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our certificate, and the password from a file or from the environment."""
    file = tmp_path / "word"
    file.write_text("a demo word\n")
    monkeypatch.setenv("DEMO_WORD", "a demo word")
    words: tuple[dict[str, OptionValue], ...] = (
        {"password_file": str(file)}, {"password_env": "DEMO_WORD"},
    )  # fmt: skip
    for number, word in enumerate(words):
        line = _mqtt(*broker, **files.ours(), **word)
        receipt = await line.deliver(order(f"secured-{number}"))
        assert receipt.stage is ReceiptStage.PRINTED
        await line.close()
    assert ("secured-0", "secured-1") == await broker[0].printed(2)


# The client library leaves a socket to the collector where the handshake fails.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("without", ["our certificate", "the password", "trust"])
async def test_secured_broker_lets_nobody_else_in(
    broker: tuple[MqttRig, int], files: Files, monkeypatch: pytest.MonkeyPatch, without: str
) -> None:
    """Each of the three is needed, and each lack is told as nothing sent or as a wrong setting."""
    monkeypatch.setenv("DEMO_WORD", "a demo word")
    options = {**files.ours(), "password_env": "DEMO_WORD"}
    if without == "our certificate":
        options = {**files.trusting(), "password_env": "DEMO_WORD"}
    elif without == "the password":
        monkeypatch.setenv("DEMO_WORD", "another word")
    else:
        options["ca_file"] = str(files.stranger.file)
    line = _mqtt(*broker, **options)
    with pytest.raises(StationFault) as fault:
        await line.deliver(order("stranger"))
    assert isinstance(fault.value, NothingSent | Misconfigured)
    await line.close()
    assert () == await broker[0].printed(0)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"password": "a demo word"}, "password_file or password_env"),
        ({"password_env": "NOT_THERE"}, "no NOT_THERE"),
        ({"password_file": "/nowhere/word"}, "can't read"),
        ({"password_file": "/x", "password_env": "X"}, "keep one"),
    ],
)
def test_password_is_never_in_the_site_file(more: dict[str, OptionValue], says: str) -> None:
    """And where it is named it must be there, or the start says so."""
    with pytest.raises(Misconfigured, match=says):
        Mqtt.from_settings(LineSettings("s", {"host": "127.0.0.1", "user": "gateway", **more}))
