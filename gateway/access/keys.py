"""API keys: `bgr_<id>_<secret>`, shown once, kept as a digest.

The secret is 256 random bits, so its SHA-256 can't be guessed back, and a lookup costs
microseconds. A slow hash such as scrypt protects passwords that people choose; here it would
protect nothing and let anybody keep the gateway busy with wrong keys.
"""

import hmac
import json
import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.access.caller import RESERVED_NAMES, Caller, Shown
from gateway.access.tables import access_keys
from gateway.errors import Invalid, NotAllowedNow, NotFound
from gateway.store.work import Work
from schemas.access import AccessKey, AccessRole
from schemas.ledger import EntryKind

_ID_SIGNS = "abcdefghijkmnpqrstuvwxyz23456789"
_SHAPE = re.compile(r"bgr_([a-z0-9]{10})_([A-Za-z0-9_-]{43})")


@dataclass(frozen=True, slots=True)
class KeptKey:
    """A key as it is kept."""

    key: AccessKey
    secret_sha256: bytes

    def good(self, secret: str, now: datetime) -> bool:
        """Whether this secret opens the door now. Takes the same time for any wrong secret."""
        same = hmac.compare_digest(self.secret_sha256, _digest(secret))
        return same and self.lives(now)

    def lives(self, now: datetime) -> bool:
        """Neither revoked nor past its time."""
        key = self.key
        return (key.revoked is None or key.revoked > now) and (
            key.expires is None or key.expires > now
        )

    def caller(self) -> Caller:
        """Who comes with this key."""
        key = self.key
        return Caller(key.name, key.role, frozenset(key.stations), Shown.KEY, key.key_id)


def split(text: str) -> tuple[str, str] | None:
    """Id and secret of what may be a key; None where it isn't shaped like one."""
    match = _SHAPE.fullmatch(text)
    return (match[1], match[2]) if match else None


def new(
    work: Work,
    *,
    name: str,
    role: AccessRole,
    stations: tuple[str, ...],
    expires: datetime | None,
    by: str,
) -> tuple[AccessKey, str]:
    """Make a key; the text that is shown once. Raises `Invalid`, `NotAllowedNow`."""
    if name.lower() in RESERVED_NAMES:
        raise Invalid(f"{name!r} is what the ledger calls another. Choose a name of its own.")
    if any(one.key.name == name and one.lives(work.now) for one in _all(work.conn)):
        raise NotAllowedNow(f"A key named {name!r} is in use. Rotate it, or choose another name.")
    return _insert(work, name, role, stations, expires, by, "new")


def rotate(work: Work, key_id: str, *, overlap: timedelta, by: str) -> tuple[AccessKey, str]:
    """A fresh key of the same name and rights; the old one works on until the overlap is over.

    A key with a time of its own gets the same span again. Raises `NotFound`, `NotAllowedNow`.
    """
    old = _living(work, key_id)
    ends = work.now + overlap
    if old.key.expires is None or old.key.expires > ends:
        _set(work, key_id, expires=ends)
    span = old.key.expires - old.key.created if old.key.expires else None
    expires = work.now + span if span else None
    key = old.key
    return _insert(work, key.name, key.role, key.stations, expires, by, "rotated", replaces=key_id)


def revoke(work: Work, key_id: str, *, reason: str, by: str) -> None:
    """End a key now. Raises `NotFound`, `NotAllowedNow`."""
    old = _living(work, key_id)
    _set(work, key_id, revoked=work.now)
    work.record(
        EntryKind.ACCESS_CHANGED,
        actor=by,
        change="key revoked",
        key_id=key_id,
        name=old.key.name,
        reason=reason,
    )


def find(conn: Connection, key_id: str) -> KeptKey | None:
    """The key of that id, living or not."""
    row = conn.execute(sa.select(access_keys).where(access_keys.c.key_id == key_id)).one_or_none()
    return None if row is None else _kept(row)


def listed(conn: Connection) -> list[AccessKey]:
    """Every key that ever was, the oldest first."""
    return [kept.key for kept in _all(conn)]


def _insert(
    work: Work,
    name: str,
    role: AccessRole,
    stations: tuple[str, ...],
    expires: datetime | None,
    by: str,
    change: str,
    replaces: str | None = None,
) -> tuple[AccessKey, str]:
    key_id = "".join(secrets.choice(_ID_SIGNS) for _ in range(10))
    secret = secrets.token_urlsafe(32)
    key = AccessKey(
        key_id=key_id,
        name=name,
        role=role,
        stations=stations,
        created=work.now,
        created_by=by,
        expires=expires,
    )
    work.conn.execute(
        sa.insert(access_keys).values(
            key_id=key_id,
            name=key.name,
            role=role.value,
            stations=json.dumps(key.stations),
            secret_sha256=_digest(secret),
            created=work.now,
            created_by=by,
            expires=expires,
        )
    )
    work.record(
        EntryKind.ACCESS_CHANGED,
        actor=by,
        change=f"key {change}",
        key_id=key_id,
        name=key.name,
        role=role.value,
        stations=list(key.stations),
        expires=expires.isoformat() if expires else None,
        replaces=replaces,
    )
    return key, f"bgr_{key_id}_{secret}"


def _living(work: Work, key_id: str) -> KeptKey:
    kept = find(work.conn, key_id)
    if kept is None:
        raise NotFound(f"There is no key {key_id!r}.")
    if not kept.lives(work.now):
        raise NotAllowedNow(f"Key {key_id} is at its end already.")
    return kept


def _set(work: Work, key_id: str, **values: datetime) -> None:
    work.conn.execute(sa.update(access_keys).where(access_keys.c.key_id == key_id).values(**values))


def _all(conn: Connection) -> list[KeptKey]:
    order = (access_keys.c.created, access_keys.c.key_id)
    return [_kept(row) for row in conn.execute(sa.select(access_keys).order_by(*order))]


def _kept(row: "sa.Row[Any]") -> KeptKey:
    return KeptKey(
        AccessKey(
            key_id=row.key_id,
            name=row.name,
            role=AccessRole(row.role),
            stations=tuple(json.loads(row.stations)),
            created=row.created,
            created_by=row.created_by,
            expires=row.expires,
            revoked=row.revoked,
        ),
        row.secret_sha256,
    )


def _digest(secret: str) -> bytes:
    return sha256(secret.encode()).digest()
