"""OPC UA with certificates: signed and encrypted, or not at all."""

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest
from asyncua import Server, ua
from asyncua.crypto.cert_gen import setup_self_signed_certificate
from cryptography.x509.oid import ExtendedKeyUsageOID

from adapters.contract import LineSettings
from adapters.errors import Misconfigured, NothingSent, StationFault
from adapters.opcua import OpcUa
from adapters.trial_label import order
from schemas.station import OptionValue, ReceiptStage
from tests.rigs.opcua import MachineServer


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate and key each for the server and for us, made for this run."""
    folder = tmp_path_factory.mktemp("certificates")

    async def make() -> None:
        for name, use in (
            ("server", ExtendedKeyUsageOID.SERVER_AUTH),
            ("client", ExtendedKeyUsageOID.CLIENT_AUTH),
        ):
            await setup_self_signed_certificate(
                folder / f"{name}.pem",
                folder / f"{name}.der",
                f"urn:bagrelay:{name}",
                "localhost",
                [use],
                {"countryName": "XX", "organizationName": "demo"},
            )

    asyncio.run(make())
    return folder


@pytest.fixture(scope="module")
def server(certificates: Path) -> Iterator[MachineServer]:
    """A server that only takes signed and encrypted sessions."""

    async def set_up(server: Server) -> None:
        await server.set_application_uri("urn:bagrelay:server")
        server.set_security_policy([ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt])
        await server.load_certificate(str(certificates / "server.der"))
        await server.load_private_key(str(certificates / "server.pem"))

    machine = MachineServer(set_up)
    machine.start()
    yield machine
    machine.stop()


def _adapter(server: MachineServer, **more: OptionValue) -> OpcUa:
    options: dict[str, OptionValue] = {
        "url": f"opc.tcp://127.0.0.1:{server.port}/",
        "nodes": {name: node.to_string() for name, node in server.nodes.items()},
        "make_s": 5,
        "answer_s": 5,
    }
    return OpcUa.from_settings(LineSettings("s", {**options, **more}))


def _secured(certificates: Path) -> dict[str, OptionValue]:
    return {
        "security": "basic256sha256",
        "certificate": str(certificates / "client.der"),
        "private_key": str(certificates / "client.pem"),
        "server_certificate": str(certificates / "server.der"),
    }


async def test_session_with_certificates_makes_a_bag(
    server: MachineServer, certificates: Path
) -> None:
    """Signed and encrypted, one job is one bag."""
    adapter = _adapter(server, **_secured(certificates))
    await adapter.open()
    receipt = await adapter.deliver(order("secured"))
    await adapter.close()
    assert receipt.stage is ReceiptStage.SEALED
    assert server.bags == ["secured"]


async def test_session_without_security_is_not_made(server: MachineServer) -> None:
    """A server that demands certificates is not talked to without."""
    adapter = _adapter(server)
    with pytest.raises(StationFault) as fault:
        await adapter.open()
    await adapter.close()
    assert isinstance(fault.value, Misconfigured | NothingSent)


async def test_security_without_its_files_is_refused_by_name(
    server: MachineServer, certificates: Path
) -> None:
    """A missing key is told at the start, not at the first job."""
    options = _secured(certificates) | {"private_key": str(certificates / "nothing.pem")}
    with pytest.raises(Misconfigured, match="private_key"):
        _adapter(server, **options)
