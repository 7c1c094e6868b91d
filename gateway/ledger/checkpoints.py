"""Checkpoints in the store: the signed states of the ledger, oldest first."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy.engine import Connection

from gateway.ledger.checkpoint import BadCheckpoint, from_text, sign
from gateway.store.tables import checkpoints
from gateway.store.work import LedgerTail, Work
from schemas.ledger import Checkpoint, EntryKind

OWN_ENTRIES = 1
"""A checkpoint leaves one entry of its own behind, which alone asks for no further one."""


def latest(conn: Connection) -> Checkpoint | None:
    """The checkpoint of the largest size."""
    found = _read(conn, sa.select(checkpoints).order_by(checkpoints.c.size.desc()).limit(1))
    return found[0] if found else None


def covering(conn: Connection, seq: int) -> Checkpoint | None:
    """The first checkpoint that covers an entry."""
    query = sa.select(checkpoints).where(checkpoints.c.size >= seq).order_by(checkpoints.c.size)
    found = _read(conn, query.limit(1))
    return found[0] if found else None


def at_size(conn: Connection, size: int) -> Checkpoint | None:
    """The checkpoint of exactly that size."""
    found = _read(conn, sa.select(checkpoints).where(checkpoints.c.size == size))
    return found[0] if found else None


def before(conn: Connection, moment: datetime, *, above: int) -> Checkpoint | None:
    """The last checkpoint that was signed before a moment and covers more than `above` entries."""
    query = (
        sa.select(checkpoints)
        .where(checkpoints.c.time < moment, checkpoints.c.size > above)
        .order_by(checkpoints.c.size.desc())
        .limit(1)
    )
    found = _read(conn, query)
    return found[0] if found else None


def page(conn: Connection, *, after: int, limit: int) -> list[Checkpoint]:
    """Checkpoints of more than `after` entries."""
    query = sa.select(checkpoints).where(checkpoints.c.size > after).order_by(checkpoints.c.size)
    return _read(conn, query.limit(limit))


def every(conn: Connection) -> tuple[list[Checkpoint], list[int]]:
    """All of them, as the check of the chain wants them, and the sizes of those that aren't any."""
    good: list[Checkpoint] = []
    bad: list[int] = []
    for row in conn.execute(sa.select(checkpoints).order_by(checkpoints.c.size)):
        try:
            good.append(from_text(row.checkpoint))
        except BadCheckpoint:
            bad.append(row.size)
    return good, bad


def to_send(conn: Connection, limit: int) -> list[Checkpoint]:
    """Checkpoints that the witness URL doesn't have yet."""
    query = sa.select(checkpoints).where(checkpoints.c.to_send).order_by(checkpoints.c.size)
    return _read(conn, query.limit(limit))


def sent(work: Work, sizes: Sequence[int]) -> None:
    """The witness URL has these now."""
    work.conn.execute(
        sa.update(checkpoints).where(checkpoints.c.size.in_(sizes)).values(to_send=False)
    )


def _read(conn: Connection, query: "sa.Select[Any]") -> list[Checkpoint]:
    return [from_text(row.checkpoint) for row in conn.execute(query)]


def sign_now(
    conn: Connection, key: Ed25519PrivateKey, origin: str, now: datetime
) -> Checkpoint | None:
    """Sign what is committed; None where nothing has come since the last checkpoint.

    A clock that was set back doesn't make checkpoints older than those before them.
    """
    tail = LedgerTail.read(conn)
    last = latest(conn)
    if tail.size <= (last.size + OWN_ENTRIES if last else 0):
        return None
    return sign(
        size=tail.size,
        root=tail.range.root().hex(),
        last_hash=tail.last_hash,
        time=max(now, last.time) if last else now,
        origin=origin,
        private_key=key,
    )


def keep(work: Work, checkpoint: Checkpoint, *, to_send: bool) -> bool:
    """Keep a checkpoint, with its ledger entry; False where one at least as large is kept."""
    last = latest(work.conn)
    if last is not None and last.size >= checkpoint.size:
        return False
    work.conn.execute(
        sa.insert(checkpoints).values(
            size=checkpoint.size,
            time=checkpoint.time,
            checkpoint=checkpoint.model_dump_json(),
            to_send=to_send,
        )
    )
    facts = checkpoint.model_dump(mode="json", exclude={"origin", "time"})
    work.record(EntryKind.CHECKPOINT, facts=facts)
    return True
