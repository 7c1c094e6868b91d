"""Who is asking: reads what a request shows, and asks the store or the identity provider."""

import re
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar
from urllib.parse import quote

from fastapi import Request
from fastapi.responses import RedirectResponse, Response

from gateway.access import keys, sessions
from gateway.access.caller import Caller, Shown
from gateway.access.oidc import Oidc
from gateway.clock import Clock
from gateway.errors import RateLimited, Unauthenticated
from gateway.limits.buckets import Buckets
from gateway.store.store import Store
from schemas.access import AccessRole
from schemas.site import Site

KNOWN_FOR_S = 1.0
"""How long a key or session is taken as it was read: a revoked key works no longer than this."""

FORGIVEN_PER_S = 0.5
"""How fast wrong keys of an address are forgotten."""

_MOST_KEPT = 2000
_BEARER = re.compile(r"bearer +([A-Za-z0-9._~+/=-]+)", re.IGNORECASE)

T = TypeVar("T")


@dataclass(slots=True)
class _Recent(Generic[T]):
    """Values that were read a moment ago. Only what was found is kept."""

    clock: Clock
    kept: "OrderedDict[str, tuple[float, T]]"

    def get(self, name: str) -> T | None:
        found = self.kept.get(name)
        if found is None or self.clock.monotonic() - found[0] >= KNOWN_FOR_S:
            return None
        return found[1]

    def put(self, name: str, value: T) -> None:
        self.kept[name] = (self.clock.monotonic(), value)
        self.kept.move_to_end(name)
        if len(self.kept) > _MOST_KEPT:
            self.kept.popitem(last=False)


class Who:
    """Turns a key, a token, a session or a certificate into a caller."""

    def __init__(self, site: Site, store: Store, clock: Clock) -> None:
        self._stations = frozenset(station.id for station in site.station)
        self._store = store
        self._clock = clock
        self._failures = Buckets(
            clock, per_s=FORGIVEN_PER_S, at_once=site.http.limits.failures_at_once
        )
        self._oidc = Oidc(site.access.oidc, clock) if site.access.oidc else None
        self._keys: _Recent[keys.KeptKey] = _Recent(clock, OrderedDict())
        self._sessions: _Recent[sessions.KeptSession] = _Recent(clock, OrderedDict())

    async def caller(self, request: Request) -> Caller:
        """Who is asking. Raises `Unauthenticated`, `Forbidden` or `Unavailable`.

        An Authorization header counts before a cookie, a cookie before a certificate.
        """
        authorization = request.headers.get("authorization")
        if authorization is not None:
            match = _BEARER.fullmatch(authorization.strip())
            if match is None:
                raise Unauthenticated("Send `Authorization: Bearer` with a key or a token.")
            return await self.bearer(match[1])
        text = sessions.cookie_of(request.cookies)
        if text is not None:
            return await self._session(text)
        certificate = certificate_of(request)
        if certificate is not None:
            return self._station(certificate)
        raise Unauthenticated("Send `Authorization: Bearer` with a key or a token.")

    async def bearer(self, text: str) -> Caller:
        """Whose key or token this is. Raises as `caller`."""
        parts = keys.split(text)
        if parts is not None:
            kept = await self._key(parts[0])
            if kept is None or not kept.good(parts[1], self._clock.now()):
                raise Unauthenticated("This key opens nothing: unknown, revoked or past its time.")
            return kept.caller()
        if self._oidc is None:
            raise Unauthenticated("This is no key of this gateway.")
        return await self._oidc.caller(text)

    def shown(self, request: Request) -> bool:
        """Whether the request shows anything at all."""
        return "authorization" in request.headers or bool(sessions.cookie_of(request.cookies))

    def count_failure(self, request: Request) -> None:
        """Put a wrong key or token down to the address it came from. Raises `RateLimited`."""
        wait_s = self._failures.take(request.client.host if request.client else "")
        if wait_s:
            raise RateLimited(
                "Too many wrong keys or tokens from this address.", retry_after_s=wait_s
            )

    def forget(self) -> None:
        """Read everything anew: a key or a session was changed here."""
        self._keys.kept.clear()
        self._sessions.kept.clear()

    async def _key(self, key_id: str) -> keys.KeptKey | None:
        kept = self._keys.get(key_id)
        if kept is None:
            kept = await self._store.read(lambda conn: keys.find(conn, key_id))
            if kept is not None:
                self._keys.put(key_id, kept)
        return kept

    async def _session(self, text: str) -> Caller:
        kept = self._sessions.get(text)
        if kept is None:
            kept = await self._store.read(lambda conn: sessions.find(conn, text))
            if kept is not None:
                self._sessions.put(text, kept)
        now = self._clock.now()
        if kept is None or kept.expires <= now:
            raise Unauthenticated("You are signed out. Sign in again.")
        if kept.caller.key_id is not None:
            key = await self._key(kept.caller.key_id)
            if key is None or not key.lives(now):
                raise Unauthenticated("The key that you signed in with is at its end.")
        return kept.caller

    def _station(self, certificate: Mapping[str, object]) -> Caller:
        """A certificate stands for the station that it names; the listener checked who signed."""
        named = sorted(names_in(certificate) & self._stations)
        if len(named) != 1:
            raise Unauthenticated(
                "The certificate names no station of the site file"
                + (", or several." if named else ".")
            )
        return Caller(
            f"certificate {named[0]}",
            AccessRole.STATION,
            frozenset(named),
            Shown.CERTIFICATE,
        )


def certificate_of(request: Request) -> Mapping[str, object] | None:
    """The client's certificate as Python's ssl tells it, where the listener took one."""
    found = getattr(request.state, "client_certificate", None)
    return found if isinstance(found, Mapping) else None


def names_in(certificate: Mapping[str, object]) -> set[str]:
    """Its DNS names (RFC 5280 subjectAltName); its common name only where it has none."""
    alternatives = certificate.get("subjectAltName", ())
    assert isinstance(alternatives, tuple)
    names = {value for kind, value in alternatives if kind == "DNS"}
    if names:
        return names
    subject = certificate.get("subject", ())
    assert isinstance(subject, tuple)
    return {value for part in subject for name, value in part if name == "commonName"}


def to_sign_in(path: str) -> Response:
    """Lead a browser to the sign-in page, and from there back."""
    return RedirectResponse(f"/sign-in?to={quote(path, safe='/')}", status_code=303)
