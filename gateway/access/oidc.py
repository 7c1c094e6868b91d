"""Bearer tokens of people: JWTs of one issuer, checked against its published keys.

OpenID Connect Core 1.0 section 3.1.3.7, RFC 7519, RFC 8725 (algorithms pinned by the site, never
chosen by the token; issuer and audience checked; keys only from where the site says).
"""

import asyncio
from collections.abc import Mapping
from typing import TYPE_CHECKING

import httpx
import structlog

from gateway.access.caller import RESERVED_NAMES, Caller, Shown
from gateway.clock import Clock
from gateway.errors import Forbidden, Unauthenticated, Unavailable
from schemas.access import AccessRole, OidcSettings

if TYPE_CHECKING:
    from jwt import PyJWK

log = structlog.get_logger(__name__)

_ASK_WITHIN_S = 5.0
_LARGEST_ANSWER = 200_000
_LONGEST_TOKEN = 16_000
_ASK_AGAIN_AFTER_S = 10.0
"""How often an unknown key id may make us ask: whoever sends nonsense must not set the pace."""


class Oidc:
    """Checks bearer tokens. Asks the provider for its keys when first needed, then now and then."""

    def __init__(self, settings: OidcSettings, clock: Clock) -> None:
        import jwt  # the `oidc` extra

        self._jwt = jwt
        self._settings = settings
        self._clock = clock
        self._algorithms = [algorithm.value for algorithm in settings.algorithms]
        self._keys: dict[str, PyJWK] = {}
        self._good_until = float("-inf")
        self._asked = float("-inf")
        self._asking = asyncio.Lock()

    async def caller(self, token: str) -> Caller:
        """Whose token this is. Raises `Unauthenticated`, `Forbidden` or `Unavailable`."""
        if len(token) > _LONGEST_TOKEN:
            raise Unauthenticated("The token is too long.")
        try:
            header = self._jwt.get_unverified_header(token)
        except self._jwt.InvalidTokenError:
            raise Unauthenticated("This is neither a key nor a token.") from None
        algorithm = header.get("alg")
        if algorithm not in self._algorithms:
            raise Unauthenticated("The token is signed in a way that the site doesn't take.")
        key = await self._key(str(header.get("kid", "")))
        try:
            claims = self._jwt.decode(
                token,
                key,
                algorithms=self._algorithms,
                audience=self._settings.audience,
                issuer=self._settings.issuer,
                leeway=self._settings.clock_skew_s,
                options={"require": ["exp", "iss", "aud", "sub"]},
            )
        except self._jwt.InvalidTokenError as error:
            raise Unauthenticated(f"The token is not good: {_why(error)}.") from None
        return self._caller(claims)

    def _caller(self, claims: Mapping[str, object]) -> Caller:
        settings = self._settings
        found = claims.get(settings.name_claim)
        # an address that the provider has not seen proved may be anybody's
        if settings.name_claim == "email" and claims.get("email_verified") is False:
            found = None
        name = str(found or claims["sub"])[:120]
        if name.lower() in RESERVED_NAMES or not name.isprintable():
            raise Forbidden("The token's name can't stand in the ledger.")
        said = _texts(_at(claims, settings.roles_claim))
        roles = [settings.roles[text] for text in said if text in settings.roles]
        if not roles:
            raise Forbidden(f"{name} is known and has no role here.")
        stations: frozenset[str] = frozenset()
        if settings.stations_claim is not None:
            stations = frozenset(_texts(_at(claims, settings.stations_claim)))
            if not stations:
                raise Forbidden(f"{name} has no station here.")
        return Caller(name, max(roles, key=_MIGHT.index), stations, Shown.TOKEN)

    async def _key(self, kid: str) -> "PyJWK":
        if self._clock.monotonic() >= self._good_until or kid not in self._keys:
            async with self._asking:
                await self._ask_if_due(kid)
        key = self._keys.get(kid)
        if key is None:
            raise Unauthenticated("The token is signed with a key that the issuer doesn't publish.")
        return key

    async def _ask_if_due(self, kid: str) -> None:
        now = self._clock.monotonic()
        old = now >= self._good_until
        if not (old or kid not in self._keys) or now - self._asked < _ASK_AGAIN_AFTER_S:
            return
        self._asked = now
        try:
            keys = await self._fetch()
        except (httpx.HTTPError, ValueError, self._jwt.PyJWTError, TimeoutError) as error:
            log.warning("oidc.keys_not_had", why=type(error).__name__)
            if not self._keys:
                raise Unavailable(
                    "The identity provider's keys can't be had.", retry_after_s=_ASK_AGAIN_AFTER_S
                ) from error
            return  # an outage of the provider locks nobody out whose key is known
        self._keys = keys
        self._good_until = now + self._settings.keep_keys_s

    async def _fetch(self) -> "dict[str, PyJWK]":
        async with (
            asyncio.timeout(_ASK_WITHIN_S),
            httpx.AsyncClient(trust_env=False, follow_redirects=False) as client,
        ):
            url = self._settings.jwks_url or await self._jwks_url(client)
            told = await _json(client, url)
        signing = self._jwt.PyJWKSet.from_dict(dict(told))
        return {
            key.key_id or "": key
            for key in signing.keys
            if key.public_key_use in (None, "sig") and key.algorithm_name in self._algorithms
        }

    async def _jwks_url(self, client: httpx.AsyncClient) -> str:
        """OpenID Connect Discovery 1.0 section 4."""
        issuer = self._settings.issuer
        told = await _json(client, f"{issuer.rstrip('/')}/.well-known/openid-configuration")
        url = told.get("jwks_uri")
        if told.get("issuer") != issuer or not isinstance(url, str):
            raise ValueError("the issuer's configuration names another issuer or no keys")
        if not url.startswith("https://") and not issuer.startswith("http://"):
            raise ValueError("the issuer's keys are not at an https address")
        return url


_MIGHT = (
    AccessRole.STATION,
    AccessRole.SENDER,
    AccessRole.OPERATOR,
    AccessRole.INTEGRATOR,
    AccessRole.SUPERVISOR,
)
"""Who has several roles comes in with the last of these."""


async def _json(client: httpx.AsyncClient, url: str) -> Mapping[str, object]:
    body = b""
    async with client.stream("GET", url, headers={"accept": "application/json"}) as answer:
        answer.raise_for_status()
        async for chunk in answer.aiter_bytes():
            body += chunk
            if len(body) > _LARGEST_ANSWER:
                raise ValueError("the answer is too long")
    import json

    told: object = json.loads(body)
    if not isinstance(told, dict):
        raise ValueError("the answer is no JSON object")  # noqa: TRY004 - content, not a type of ours
    return told


def _at(claims: Mapping[str, object], path: str) -> object:
    if path in claims:
        return claims[path]
    here: object = claims
    for step in path.split("."):
        here = here.get(step) if isinstance(here, Mapping) else None
    return here


def _texts(value: object) -> list[str]:
    if isinstance(value, str):
        return [value]
    return [str(one) for one in value] if isinstance(value, list) else []


def _why(error: Exception) -> str:
    return {
        "ExpiredSignatureError": "it is past its time",
        "ImmatureSignatureError": "it is not valid yet",
        "InvalidAudienceError": "it is for another audience",
        "InvalidIssuerError": "it is of another issuer",
        "InvalidSignatureError": "its signature is wrong",
    }.get(type(error).__name__, "a claim is missing or wrong")
