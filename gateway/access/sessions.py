"""Sessions of people on the pages: a random cookie, kept as a digest, ended by signing out.

They live in the store, so every gateway of a site knows them, and a restart ends none.
"""

import json
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import sha256

import sqlalchemy as sa
from fastapi import Request, Response
from sqlalchemy.engine import Connection

from gateway.access.caller import Caller, Shown
from gateway.access.tables import access_sessions
from gateway.store.work import Work
from schemas.access import AccessRole
from schemas.ledger import EntryKind

COOKIE = "bagrelay_session"
SECURE_COOKIE = "__Host-bagrelay_session"
"""Over TLS: browsers take a cookie of this prefix from this host only (RFC 6265bis)."""


@dataclass(frozen=True, slots=True)
class KeptSession:
    """A session as it is kept."""

    caller: Caller
    expires: datetime


def begin(work: Work, caller: Caller, lasts: timedelta) -> str:
    """Sign a person in; the text for the cookie."""
    assert caller.role is not None
    text = secrets.token_urlsafe(32)
    work.conn.execute(sa.delete(access_sessions).where(access_sessions.c.expires <= work.now))
    work.conn.execute(
        sa.insert(access_sessions).values(
            session_sha256=_digest(text),
            name=caller.name,
            role=caller.role.value,
            stations=json.dumps(sorted(caller.stations)),
            key_id=caller.key_id,
            created=work.now,
            expires=work.now + lasts,
        )
    )
    work.record(
        EntryKind.ACCESS_CHANGED,
        actor=caller.name,
        change="signed in",
        role=caller.role.value,
        key_id=caller.key_id,
    )
    return text


def end(work: Work, text: str) -> None:
    """Sign out. A session that is not there is ended already."""
    mine = access_sessions.c.session_sha256 == _digest(text)
    name = work.conn.execute(
        sa.delete(access_sessions).where(mine).returning(access_sessions.c.name)
    ).scalar_one_or_none()
    if name is not None:
        work.record(EntryKind.ACCESS_CHANGED, actor=name, change="signed out")


def find(conn: Connection, text: str) -> KeptSession | None:
    """The session of a cookie, however old."""
    row = conn.execute(
        sa.select(access_sessions).where(access_sessions.c.session_sha256 == _digest(text))
    ).one_or_none()
    if row is None:
        return None
    caller = Caller(
        row.name,
        AccessRole(row.role),
        frozenset(json.loads(row.stations)),
        Shown.SESSION,
        row.key_id,
    )
    return KeptSession(caller, row.expires)


def cookie_of(cookies: Mapping[str, str]) -> str | None:
    """The session's text among a request's cookies."""
    return cookies.get(SECURE_COOKIE) or cookies.get(COOKIE)


def set_cookie(request: Request, response: Response, text: str, lasts: timedelta) -> None:
    """Hand the cookie out: for this host, for requests from our own pages, not for scripts."""
    secure = request.url.scheme == "https"
    response.set_cookie(
        SECURE_COOKIE if secure else COOKIE,
        text,
        max_age=int(lasts.total_seconds()),
        path="/",
        secure=secure,
        httponly=True,
        samesite="strict",
    )


def drop_cookie(request: Request, response: Response) -> None:
    """Take the cookie back."""
    secure = request.url.scheme == "https"
    response.delete_cookie(
        SECURE_COOKIE if secure else COOKIE,
        path="/",
        secure=secure,
        httponly=True,
        samesite="strict",
    )


def _digest(text: str) -> bytes:
    return sha256(text.encode()).digest()
