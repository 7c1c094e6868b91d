"""Who may come in, and how: roles, keys, sign-in by OIDC, certificates, limits."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, StringConstraints, model_validator

from schemas.base import Instant, Person, Record, StationId


class AccessRole(StrEnum):
    """What a key, a person or a certificate is there for."""

    SENDER = "sender"
    """The WMS: hands in orders and reads what became of them."""
    STATION = "station"
    """A machine or a scanner: tells what it saw and reads its own station."""
    OPERATOR = "operator"
    """A person at a station: answers questions, voids, prints again."""
    SUPERVISOR = "supervisor"
    """Answers for the room: everything an operator does, cases, figures, the whole ledger."""
    INTEGRATOR = "integrator"
    """Wires the room: site, discovery, documents, figures for monitoring. Touches no bag."""


class SigningAlgorithm(StrEnum):
    """Signatures that a bearer token may carry: asymmetric only (RFC 7518)."""

    RS256 = "RS256"
    RS384 = "RS384"
    RS512 = "RS512"
    PS256 = "PS256"
    PS384 = "PS384"
    PS512 = "PS512"
    ES256 = "ES256"
    ES384 = "ES384"
    EDDSA = "EdDSA"


SecureUrl = Annotated[
    str,
    StringConstraints(
        pattern=r"^(https://|http://(127\.0\.0\.1|\[::1\]|localhost)(:\d+)?(/|$))", max_length=2000
    ),
]
"""https, or http on this machine."""


class OidcSettings(Record):
    """People come with bearer tokens of an identity provider (OpenID Connect Core 1.0)."""

    issuer: SecureUrl
    """Must equal the token's `iss`."""
    audience: Annotated[str, StringConstraints(min_length=1, max_length=400)]
    """Must stand in the token's `aud`."""
    jwks_url: SecureUrl | None = None
    """Where the provider's keys are; asked of the issuer's configuration where left empty."""
    algorithms: Annotated[tuple[SigningAlgorithm, ...], Field(min_length=1)] = (
        SigningAlgorithm.RS256,
        SigningAlgorithm.ES256,
    )
    name_claim: str = "email"
    """The claim whose text stands in the ledger; `sub` where a token lacks it."""
    roles_claim: str = "roles"
    """The claim with a text or a list of texts; dots lead into objects."""
    roles: dict[str, AccessRole] = {}
    """What a text of that claim stands for here. A token with none of them gets nothing."""
    stations_claim: str | None = None
    """The claim with the stations that the person is limited to."""
    keep_keys_s: Annotated[float, Field(ge=10, le=86_400)] = 600
    clock_skew_s: Annotated[float, Field(ge=0, le=300)] = 30


class AccessSettings(Record):
    """Who may come in. Closed unless a key, a token, a session or a certificate is shown."""

    open_door: bool = False
    """Everybody on this machine may do everything. For trying out; loopback addresses only."""
    metrics_open: bool = False
    """`/metrics` answers without a key; it names stations and counts, no order and no person."""
    session_hours: Annotated[float, Field(gt=0, le=168)] = 10
    """How long a person stays signed in on the pages."""
    oidc: OidcSettings | None = None


class ClientCertificates(StrEnum):
    """What the listener wants of its callers' certificates."""

    NONE = "none"
    ACCEPTED = "accepted"
    """One that is shown must be good; then it stands for the station that it names."""
    REQUIRED = "required"
    """Nobody gets as far as HTTP without one."""


class TlsSettings(Record):
    """TLS for the listener, by file names."""

    cert_file: Path
    """The gateway's certificate with its chain, PEM."""
    key_file: Path
    key_password_env: str | None = None
    key_password_file: Path | None = None
    client_certificates: ClientCertificates = ClientCertificates.NONE
    client_ca_file: Path | None = None
    """Whoever signs the stations' certificates. A certificate's name must be a station's id."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        wanted = self.client_certificates is not ClientCertificates.NONE
        if wanted and self.client_ca_file is None:
            raise ValueError("client_certificates needs client_ca_file: who signs them?")
        if self.client_ca_file and not wanted:
            raise ValueError("client_ca_file does nothing: set client_certificates")
        if self.key_password_env and self.key_password_file:
            raise ValueError("key_password_env and key_password_file: keep one")
        return self


class Limits(Record):
    """What one caller may ask of the listener."""

    events_per_s: Annotated[float, Field(gt=0, le=100_000)] = 200
    """For each key, in the long run."""
    events_at_once: Annotated[int, Field(ge=1, le=100_000)] = 1000
    """For each key, after a pause. A batch counts each of its events."""
    failures_at_once: Annotated[int, Field(ge=1, le=10_000)] = 30
    """Wrong keys and tokens from one address before it has to wait."""
    connections: Annotated[int, Field(ge=1, le=100_000)] = 1000
    connections_per_address: Annotated[int, Field(ge=1, le=100_000)] = 250
    head_within_s: Annotated[float, Field(gt=0, le=300)] = 10
    """From the first byte, or from connecting, to the end of a request's headers."""
    body_within_s: Annotated[float, Field(gt=0, le=3600)] = 30
    """From the end of the headers to the last byte of a body."""
    max_head_bytes: Annotated[int, Field(ge=1024, le=1_000_000)] = 32_768


class AccessKey(Record):
    """A key as it is listed: everything but its secret."""

    key_id: str
    name: Person
    role: AccessRole
    stations: tuple[StationId, ...] = ()
    """Empty: every station."""
    created: Instant
    created_by: str
    expires: Instant | None = None
    revoked: Instant | None = None
