"""What stands in the outbox and how far each target has got. SQL only."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import timedelta
from hashlib import sha256
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.clock import instant_text
from gateway.errors import NotFound
from gateway.queues.port import Event
from gateway.queues.tables import targets
from gateway.store.tables import outbox
from gateway.store.work import Work
from schemas.queues import Target

TAIL = 1000
"""Sent events that stay for a replay. The newest row always stays, so no number comes twice."""
MOST_WAITING = 200_000


@dataclass(frozen=True, slots=True)
class Due:
    """What a target is to be sent next, and how far it then is."""

    sent_to: int
    events: Sequence[Event]
    looked_to: int


def register(work: Work, ways: Collection[str]) -> None:
    """Make targets known; a new one begins with what is told from now on."""
    known = set(work.conn.execute(sa.select(targets.c.way)).scalars())
    for way in sorted(set(ways) - known):
        work.conn.execute(
            sa.insert(targets).values(way=way, sent_to=_head(work.conn), changed=work.now)
        )


def due(conn: Connection, way: str, types: Collection[str], source: str, limit: int) -> Due:
    """The next events for a target, in their order. `types` empty: all."""
    sent_to: int = conn.execute(
        sa.select(targets.c.sent_to).where(targets.c.way == way)
    ).scalar_one()
    query = sa.select(outbox).where(outbox.c.id > sent_to).order_by(outbox.c.id).limit(limit)
    rows = conn.execute(query).all()
    events = [_event(row, source) for row in rows if not types or row.type in types]
    return Due(sent_to, events, rows[-1].id if rows else sent_to)


def advance(work: Work, way: str, was: int, now: int) -> bool:
    """The target has everything up to `now`; False where a replay set it back meanwhile."""
    done = work.conn.execute(
        sa.update(targets)
        .where(targets.c.way == way, targets.c.sent_to == was)
        .values(sent_to=now, text="", changed=work.now)
    )
    return done.rowcount == 1


def hindered(work: Work, way: str, text: str) -> None:
    """Keep why the target takes nothing."""
    work.conn.execute(
        sa.update(targets).where(targets.c.way == way).values(text=text[:500], changed=work.now)
    )


def set_back(work: Work, way: str, first: int) -> int:
    """Send from the `first` event on once more; how many that are. Raises `NotFound`."""
    oldest = work.conn.execute(sa.select(sa.func.min(outbox.c.id))).scalar_one()
    if oldest is None or first < oldest or first > _head(work.conn):
        raise NotFound(
            f"Event {first} is not kept; the outbox holds {oldest or 0} to {_head(work.conn)}."
        )
    done = work.conn.execute(
        sa.update(targets).where(targets.c.way == way).values(sent_to=first - 1, changed=work.now)
    )
    if done.rowcount != 1:
        raise NotFound(f"There is no target {way!r}.")
    return _head(work.conn) - first + 1


def prune(work: Work, ways: Collection[str], keep_days: int) -> list[str]:
    """Drop what every target has, but for the tail; give up what waits for too long.

    Returns the targets for which something was given up. Targets that the site file no longer
    names hold nothing back.
    """
    head = _head(work.conn)
    old: int = work.conn.execute(
        sa.select(sa.func.coalesce(sa.func.max(outbox.c.id), 0)).where(
            outbox.c.created < work.now - timedelta(days=keep_days)
        )
    ).scalar_one()
    given_up_to = max(old, head - MOST_WAITING)
    losers = list(
        work.conn.execute(
            sa.update(targets)
            .where(targets.c.way.in_(ways), targets.c.sent_to < given_up_to)
            .values(
                missed=targets.c.missed + (given_up_to - targets.c.sent_to),
                sent_to=given_up_to,
                changed=work.now,
            )
            .returning(targets.c.way)
        ).scalars()
    )
    slowest: int | None = work.conn.execute(
        sa.select(sa.func.min(targets.c.sent_to)).where(targets.c.way.in_(ways))
    ).scalar_one()
    all_have = head if slowest is None else slowest
    gone = max(min(all_have, head - TAIL), min(old, head - 1))
    work.conn.execute(sa.delete(outbox).where(outbox.c.id <= gone))
    return losers


def views(conn: Connection, ways: Collection[str]) -> list[Target]:
    """How far each target is."""
    head = _head(conn)
    since = (
        sa.select(outbox.c.created)
        .where(outbox.c.id > targets.c.sent_to)
        .order_by(outbox.c.id)
        .limit(1)
        .correlate(targets)
        .scalar_subquery()
    )
    rows = conn.execute(
        sa.select(targets, since.label("since"))
        .where(targets.c.way.in_(ways))
        .order_by(targets.c.way)
    )
    return [
        Target(
            way=row.way,
            sent_to=row.sent_to,
            waiting=max(0, head - row.sent_to),
            waiting_since=row.since,
            missed=row.missed,
            text=row.text,
            changed=row.changed,
        )
        for row in rows
    ]


def _head(conn: Connection) -> int:
    found: int = conn.execute(sa.select(sa.func.coalesce(sa.func.max(outbox.c.id), 0))).scalar_one()
    return found


def _event(row: Any, source: str) -> Event:
    when = instant_text(row.created)
    # the number alone would come twice after a store was restored from a backup
    told = "\n".join([str(row.id), when, row.type, row.subject or "", row.data])
    return Event(
        number=row.id,
        id=f"{row.id}-{sha256(told.encode()).hexdigest()[:16]}",
        source=source,
        type=row.type,
        subject=row.subject,
        time=row.created,
        data=row.data.encode(),
    )
