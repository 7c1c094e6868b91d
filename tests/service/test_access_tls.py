"""TLS and certificates of stations, with authorities and certificates made in the test."""

import ssl
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from schemas.access import AccessRole
from schemas.ledger import EntryKind
from tests.service.access_rig import STRUCTURED, closed, event, trusting
from tests.service.test_access_keys import _ledger


class Authority:
    """Signs certificates for one test."""

    def __init__(self, folder: Path, name: str) -> None:
        self.folder = folder
        self.name = name
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        certificate = self._signed(self._subject, self._key, [], authority=True)
        self.file = folder / f"{name}.pem"
        self.file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))

    def certificate(
        self,
        common_name: str,
        names: list[x509.GeneralName] | None = None,
        *,
        password: bytes | None = None,
        days: int = 2,
    ) -> tuple[Path, Path]:
        """Files of a certificate and its key."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common_name)])
        signed = self._signed(subject, key, names or [], days=days)
        cert_file = self.folder / f"{self.name}-{common_name}.crt"
        key_file = self.folder / f"{self.name}-{common_name}.key"
        cert_file.write_bytes(signed.public_bytes(serialization.Encoding.PEM))
        key_file.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.BestAvailableEncryption(password)
                if password
                else serialization.NoEncryption(),
            )
        )
        return cert_file, key_file

    def _signed(
        self, subject: x509.Name, key: Any, names: Any, *, authority: bool = False, days: int = 2
    ) -> x509.Certificate:
        now = datetime.now(UTC)
        begins = now - timedelta(days=3)
        builder = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._subject)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(begins)
            .not_valid_after(now + timedelta(days=days))
            .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
            .add_extension(
                x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False
            )
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()),
                critical=False,
            )
        )
        if authority:
            usage = dict.fromkeys(
                (
                    "digital_signature", "content_commitment", "key_encipherment",
                    "data_encipherment", "key_agreement", "encipher_only", "decipher_only",
                ),
                False,
            )  # fmt: skip
            builder = builder.add_extension(
                x509.KeyUsage(key_cert_sign=True, crl_sign=True, **usage), critical=True
            )
        if names:
            builder = builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
        return builder.sign(self._key, hashes.SHA256())


@pytest.fixture
def ours(tmp_path: Path) -> Authority:
    """The site's own authority."""
    return Authority(tmp_path, "ours")


def _tls(ours: Authority, **more: object) -> dict[str, object]:
    from ipaddress import ip_address

    names: list[x509.GeneralName] = [x509.IPAddress(ip_address("127.0.0.1"))]
    cert, key = ours.certificate("gateway", names)
    return {"cert_file": str(cert), "key_file": str(key), **more}


async def test_listener_speaks_tls_and_its_cookies_are_for_tls_only(
    tmp_path: Path, ours: Authority
) -> None:
    """The session's cookie is Secure and bound to the host; plain HTTP gets nothing."""
    async with (
        closed(tmp_path, tls=_tls(ours)) as gateway,
        gateway.client(verify=trusting(ours.file)) as browser,
    ):
        key = await gateway.key(AccessRole.OPERATOR)
        answer = await browser.post("/sign-in", data={"key": key}, headers={"origin": gateway.url})
        floor = await browser.get("/floor")
        plain = f"http://127.0.0.1:{gateway.port}/healthz"
        async with httpx.AsyncClient(trust_env=False) as naked:
            with pytest.raises(httpx.TransportError):
                await naked.get(plain)
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-bagrelay_session=")
    assert "Secure" in cookie
    assert 200 == floor.status_code


async def test_old_tls_is_refused(tmp_path: Path, ours: Authority) -> None:
    """Below TLS 1.2 there is no handshake (RFC 8996)."""
    old = trusting(ours.file)
    old.minimum_version = ssl.TLSVersion.MINIMUM_SUPPORTED
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        old.maximum_version = ssl.TLSVersion.TLSv1_1
    old.set_ciphers("ALL:@SECLEVEL=0")
    async with closed(tmp_path, tls=_tls(ours)) as gateway, gateway.client(verify=old) as client:
        with pytest.raises(httpx.ConnectError):
            await client.get("/healthz")


async def test_key_file_opens_with_a_password_from_the_environment(
    tmp_path: Path, ours: Authority
) -> None:
    """The site file names the variable, never the password."""
    from ipaddress import ip_address

    names: list[x509.GeneralName] = [x509.IPAddress(ip_address("127.0.0.1"))]
    cert, key = ours.certificate("locked", names, password=b"two words")
    tls = {"cert_file": str(cert), "key_file": str(key), "key_password_env": "ROOM_TLS"}
    async with (
        closed(tmp_path, tls=tls, environment={"ROOM_TLS": "two words"}) as gateway,
        gateway.client(verify=trusting(ours.file)) as client,
    ):
        assert 200 == (await client.get("/healthz")).status_code


def _mutual(ours: Authority, how: str) -> dict[str, object]:
    return _tls(ours, client_certificates=how, client_ca_file=str(ours.file))


async def test_certificate_stands_for_the_station_that_it_names(
    tmp_path: Path, ours: Authority
) -> None:
    """It hands in events of its own station, of no other, and acts as nobody else."""
    cert = ours.certificate("s1")
    async with (
        closed(tmp_path, tls=_mutual(ours, "required")) as gateway,
        gateway.client(verify=trusting(ours.file, cert=cert)) as machine,
    ):
        own = await machine.post(
            "/v1/events", json=event("1", "label.scanned", "s1", code="x"), headers=STRUCTURED
        )
        others = await machine.post(
            "/v1/events", json=event("2", "label.scanned", "s2", code="x"), headers=STRUCTURED
        )
        desk = await machine.post("/v1/stations/s1/hold", json={"reason": "x", "by": "x"})
        browser = await machine.post(
            "/v1/events",
            json=event("3", "label.scanned", "s1", code="x"),
            headers={**STRUCTURED, "sec-fetch-site": "cross-site"},
        )
        (accepted,) = await _ledger(gateway, EntryKind.EVENT_ACCEPTED)
    assert (202, 403, 403, 403) == (
        own.status_code, others.status_code, desk.status_code, browser.status_code
    )  # fmt: skip
    assert "certificate s1" == accepted.actor


async def test_alternative_names_count_before_the_common_name(
    tmp_path: Path, ours: Authority
) -> None:
    """RFC 6125 section 6.4.4: where there are DNS names the common name is not looked at."""
    cert = ours.certificate("s1", [x509.DNSName("s2")])
    async with (
        closed(tmp_path, tls=_mutual(ours, "accepted")) as gateway,
        gateway.client(verify=trusting(ours.file, cert=cert)) as machine,
    ):
        named = await machine.get("/v1/stations/s2")
        common = await machine.get("/v1/stations/s1")
    assert (200, 403) == (named.status_code, common.status_code)


@pytest.mark.parametrize("how", ["accepted", "required"])
async def test_certificate_of_a_foreign_authority_gets_no_connection(
    tmp_path: Path, ours: Authority, how: str
) -> None:
    """Whoever made a certificate of that name for themselves stays outside."""
    foreign = Authority(tmp_path, "foreign").certificate("s1")
    async with (
        closed(tmp_path, tls=_mutual(ours, how)) as gateway,
        gateway.client(verify=trusting(ours.file, cert=foreign)) as machine,
    ):
        with pytest.raises(httpx.TransportError):
            await machine.get("/healthz")


async def test_expired_certificate_gets_no_connection(tmp_path: Path, ours: Authority) -> None:
    """Its time is checked by the listener."""
    old = ours.certificate("s1", days=-1)
    async with (
        closed(tmp_path, tls=_mutual(ours, "required")) as gateway,
        gateway.client(verify=trusting(ours.file, cert=old)) as machine,
    ):
        with pytest.raises(httpx.TransportError):
            await machine.get("/healthz")


async def test_without_a_certificate_required_refuses_and_accepted_asks_for_a_key(
    tmp_path: Path, ours: Authority
) -> None:
    """Where certificates are accepted, keys still work; where required, nothing does without."""
    async with (
        closed(tmp_path, tls=_mutual(ours, "accepted")) as gateway,
        gateway.client(verify=trusting(ours.file)) as client,
    ):
        stranger = await client.get("/v1/stations")
        key = await gateway.key(AccessRole.SENDER)
        known = await client.get("/v1/stations", headers={"authorization": f"Bearer {key}"})
    assert (401, 200) == (stranger.status_code, known.status_code)
    async with (
        closed(tmp_path / "b", tls=_mutual(ours, "required")) as gateway,
        gateway.client(verify=trusting(ours.file)) as client,
    ):
        with pytest.raises(httpx.TransportError):
            await client.get("/healthz")


async def test_certificate_that_names_no_station_is_nobody(tmp_path: Path, ours: Authority) -> None:
    """Signed by the right authority is not enough: the name must be in the site file."""
    cert = ours.certificate("forklift")
    async with (
        closed(tmp_path, tls=_mutual(ours, "accepted")) as gateway,
        gateway.client(verify=trusting(ours.file, cert=cert)) as machine,
    ):
        assert 401 == (await machine.get("/v1/stations")).status_code
