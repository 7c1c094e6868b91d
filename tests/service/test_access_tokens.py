"""Bearer tokens of people: a real issuer on a local port, good tokens and every forgery we know."""

import hmac
import json
import time
from base64 import urlsafe_b64encode
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import jwt
import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from jwt.algorithms import ECAlgorithm, RSAAlgorithm

from gateway.clock import ManualClock
from schemas.ledger import EntryKind
from tests.service.access_rig import Closed, closed
from tests.service.test_access_keys import _ledger

AUDIENCE = "bagrelay-room-1"


class Issuer:
    """An identity provider: its configuration, its keys, and tokens signed with them."""

    def __init__(self) -> None:
        self.keys: dict[str, Any] = {}
        self.asked = 0
        self.broken = False
        issuer = self

        class Answers(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                body = issuer.answer(self.path)
                self.send_response(503 if issuer.broken else 200)
                self.send_header("content-length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Answers)
        self.url = f"http://127.0.0.1:{self._server.server_port}"
        self._thread = Thread(target=self._server.serve_forever, args=(0.02,))
        self._thread.start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def new_key(self, kid: str, kind: str = "RS256") -> Any:
        """Publish a key."""
        key: Any = (
            ec.generate_private_key(ec.SECP256R1())
            if kind == "ES256"
            else rsa.generate_private_key(public_exponent=65537, key_size=2048)
        )
        self.keys[kid] = (kind, key)
        return key

    def answer(self, path: str) -> bytes:
        if path.endswith("/openid-configuration"):
            return json.dumps({"issuer": self.url, "jwks_uri": f"{self.url}/keys"}).encode()
        self.asked += 1
        published = []
        for kid, (kind, key) in self.keys.items():
            algorithm = ECAlgorithm if kind == "ES256" else RSAAlgorithm
            jwk = algorithm.to_jwk(key.public_key(), as_dict=True)
            published.append({**jwk, "kid": kid, "alg": kind, "use": "sig"})
        return json.dumps({"keys": published}).encode()

    def token(
        self, kid: str = "k1", *, key: Any = None, alg: str | None = None, **claims: object
    ) -> str:
        """A token that is good but for what the keywords change."""
        now = int(time.time())
        kind, own = self.keys.get(kid, ("RS256", None))
        told = {
            "iss": self.url, "aud": AUDIENCE, "sub": "u1", "email": "ilse@room.example",
            "exp": now + 300, "iat": now, "roles": ["packing-lead"], **claims,
        }  # fmt: skip
        told = {name: value for name, value in told.items() if value is not None}
        return jwt.encode(told, key or own, algorithm=alg or kind, headers={"kid": kid})


@pytest.fixture
def issuer() -> Iterator[Issuer]:
    """An issuer with one RSA key."""
    started = Issuer()
    started.new_key("k1")
    yield started
    started.close()


def _access(issuer: Issuer, **more: object) -> dict[str, object]:
    return {
        "oidc": {
            "issuer": issuer.url,
            "audience": AUDIENCE,
            "roles": {"packing-lead": "supervisor", "packer": "operator"},
            **more,
        }
    }


async def _status(gateway: Closed, token: str, path: str = "/v1/cases") -> int:
    async with gateway.client(token) as client:
        return (await client.get(path)).status_code


async def test_good_token_of_either_kind_comes_in_with_its_role(
    tmp_path: Path, issuer: Issuer
) -> None:
    """RSA and elliptic curve; the keys are found by the issuer's configuration."""
    issuer.new_key("k2", "ES256")
    async with closed(tmp_path, access=_access(issuer)) as gateway:
        lead = await _status(gateway, issuer.token())
        lead_by_curve = await _status(gateway, issuer.token("k2"))
        packer = await _status(gateway, issuer.token(roles=["packer"]))
        visitor = await _status(gateway, issuer.token(roles=["visitor"]))
    assert (200, 200, 403, 403) == (lead, lead_by_curve, packer, visitor)


@pytest.mark.parametrize(
    "wrong",
    [
        {"exp": 1_000_000_000}, {"exp": None}, {"aud": "another"}, {"aud": None},
        {"iss": "http://127.0.0.1:1"}, {"iss": None}, {"sub": None}, {"nbf": 4_000_000_000},
    ],
    ids=str,
)  # fmt: skip
async def test_token_with_a_wrong_or_missing_claim_is_refused(
    tmp_path: Path, issuer: Issuer, wrong: dict[str, object]
) -> None:
    """Time, audience, issuer and subject are demanded, each."""
    async with closed(tmp_path, access=_access(issuer)) as gateway:
        assert 401 == await _status(gateway, issuer.token(**wrong))


async def test_forged_signatures_are_refused(tmp_path: Path, issuer: Issuer) -> None:
    """No signature, the public key as a shared secret, another's key, a changed body.

    Source of the list: RFC 8725 sections 2.1 and 3.1 (from memory).
    """
    other = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    good = issuer.token()
    head, body, signature = good.split(".")
    public = (
        issuer.keys["k1"][1]
        .public_key()
        .public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    )
    with_secret = _by_hand({"alg": "HS256", "kid": "k1"}, body, public)
    unsigned = jwt.encode(
        jwt.decode(good, options={"verify_signature": False}), None, "none", {"kid": "k1"}
    )
    changed = issuer.token(roles=["nothing"]).split(".")[1]
    forged = {
        "none": unsigned,
        "hmac with the public key": with_secret,
        "another key under a known id": issuer.token(key=other),
        "another algorithm": issuer.token(alg="RS512"),
        "changed body": f"{head}.{changed}.{signature}",
        "cut": f"{head}.{body}.",
        "unknown key": issuer.token("k9", key=other, alg="RS256"),
    }
    async with closed(
        tmp_path, access=_access(issuer), http={"limits": {"failures_at_once": 99}}
    ) as gateway:
        answers = {name: await _status(gateway, token) for name, token in forged.items()}
        good_one = await _status(gateway, good)
    assert dict.fromkeys(forged, 401) == answers
    assert 200 == good_one


def _by_hand(header: dict[str, str], body: str, secret: bytes) -> str:
    """A token with an HMAC, as an attacker makes it: libraries refuse to."""
    head = urlsafe_b64encode(json.dumps(header).encode()).rstrip(b"=")
    signed = head + b"." + body.encode()
    mac = urlsafe_b64encode(hmac.digest(secret, signed, "sha256")).rstrip(b"=")
    return (signed + b"." + mac).decode()


async def test_new_key_is_fetched_when_met_and_unknown_ones_do_not_set_the_pace(
    tmp_path: Path, issuer: Issuer
) -> None:
    """Rotation needs no restart; a thousand made-up key ids cost one question in ten seconds."""
    clock = ManualClock()
    other = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    limits = {"limits": {"failures_at_once": 99}}
    async with closed(tmp_path, access=_access(issuer), http=limits, clock=clock) as gateway:
        first = await _status(gateway, issuer.token())
        made_up = [issuer.token(f"x{n}", key=other, alg="RS256") for n in range(20)]
        nonsense = {await _status(gateway, token) for token in made_up}
        asked = issuer.asked
        issuer.new_key("k2")
        clock.advance(11)
        second = await _status(gateway, issuer.token("k2"))
        del issuer.keys["k1"]
        old = issuer.token("k2")
        clock.advance(700)
        gone = await _status(gateway, _signed_as(issuer, other, "k1"))
        still = await _status(gateway, old)
    assert (200, {401}, 1) == (first, nonsense, asked)
    assert (200, 401, 200) == (second, gone, still)


def _signed_as(issuer: Issuer, key: Any, kid: str) -> str:
    return issuer.token(kid, key=key, alg="RS256")


async def test_outage_of_the_issuer_locks_out_nobody_whose_key_is_known(
    tmp_path: Path, issuer: Issuer
) -> None:
    """Known keys go on; without any, 503 says that it is not the token's fault."""
    clock = ManualClock()
    async with closed(tmp_path, access=_access(issuer), clock=clock) as gateway:
        issuer.broken = True
        before = await _status(gateway, issuer.token())
        issuer.broken = False
        clock.advance(11)
        good = await _status(gateway, issuer.token())
        issuer.broken = True
        clock.advance(3600)
        during = await _status(gateway, issuer.token())
    assert (503, 200, 200) == (before, good, during)


async def test_person_limited_to_stations_by_a_claim_is(tmp_path: Path, issuer: Issuer) -> None:
    """The claim may lie inside an object; who has none of it has no station."""
    access = _access(issuer, stations_claim="room.stations", roles_claim="room.roles")
    room = {"stations": ["s1"], "roles": "packer"}
    async with closed(tmp_path, access=access) as gateway:
        own = await _status(gateway, issuer.token(room=room), "/v1/stations/s1")
        others = await _status(gateway, issuer.token(room=room), "/v1/stations/s2")
        none = await _status(gateway, issuer.token(room={"roles": "packer"}), "/v1/stations/s1")
    assert (200, 403, 403) == (own, others, none)


async def test_person_of_a_token_stands_in_the_ledger(tmp_path: Path, issuer: Issuer) -> None:
    """By the address that the issuer proved; by subject where it did not."""
    async with closed(tmp_path, access=_access(issuer)) as gateway:
        for station, verified in (("s1", True), ("s2", False)):
            async with gateway.client(issuer.token(email_verified=verified)) as client:
                said = {"reason": "tea", "by": "somebody else"}
                await client.post(f"/v1/stations/{station}/hold", json=said)
        held = await _ledger(gateway, EntryKind.STATION_HELD)
    assert ["ilse@room.example (somebody else)", "u1 (somebody else)"] == [e.actor for e in held]
