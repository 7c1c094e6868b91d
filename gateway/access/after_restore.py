"""Who may come in after a store came out of a backup: what was ended since stays ended."""

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa

from gateway.access.tables import access_keys, access_sessions
from gateway.store.work import Work
from schemas.ledger import EntryKind

Ends = Mapping[str, datetime]
"""When keys ended, by their id."""


def ends_in(path: Path) -> Ends | None:
    """The keys of a SQLite store that were revoked or whose time was cut short; None: unreadable.

    Read from the store that a backup replaces: it knows what the backup can't.
    """
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as conn:
            rows = conn.execute("SELECT key_id, revoked, expires FROM access_keys").fetchall()
    except sqlite3.Error:
        return None
    ends = {key_id: min(filter(None, times), default=None) for key_id, *times in rows}
    return {key_id: datetime.fromisoformat(end) for key_id, end in ends.items() if end}


def settle_access(work: Work, ends: Ends) -> int:
    """End keys that a replaced store ended, and every session; how many keys are revoked by it."""
    work.conn.execute(sa.delete(access_sessions))
    revoked = 0
    living = sa.select(access_keys.c.key_id, access_keys.c.expires, access_keys.c.name).where(
        access_keys.c.revoked.is_(None)
    )
    for key_id, expires, name in work.conn.execute(living).all():
        end = ends.get(key_id)
        if end is None or (expires is not None and expires <= end):
            continue
        revoked += 1
        work.conn.execute(
            sa.update(access_keys).where(access_keys.c.key_id == key_id).values(revoked=end)
        )
        work.record(
            EntryKind.ACCESS_CHANGED,
            change="key revoked",
            key_id=key_id,
            name=name,
            reason="it was at its end in the store that a backup replaced",
        )
    return revoked
