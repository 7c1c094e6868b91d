"""Dead letters: what could not be taken or sent, kept with its reason until somebody looks."""

import base64
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from hashlib import sha256

import sqlalchemy as sa
from sqlalchemy.engine import Connection, RowMapping

from gateway.errors import NotFound
from gateway.queues.tables import dead_letters
from gateway.store.work import Work
from schemas.queues import DeadLetter

MOST_KEPT = 10_000
_BODY_KEPT = 8_000_000
_TEXT_KEPT = 2_000


@dataclass(frozen=True, slots=True)
class Letter:
    """Something that is given up: where it came by, its bytes, and why."""

    way: str
    body: bytes
    headers: Mapping[str, str]
    problem: str
    reason: str
    source: str | None = None
    event_id: str | None = None


def keep(work: Work, letter: Letter) -> int:
    """Keep it; the same bytes by the same way again are the same letter. Its id."""
    digest = sha256(letter.body + b"\0" + _json(letter.headers).encode()).hexdigest()
    same = (dead_letters.c.way == letter.way) & (dead_letters.c.sha256 == digest)
    told = {"problem": letter.problem, "reason": letter.reason[:_TEXT_KEPT], "time": work.now}
    known: int | None = work.conn.execute(
        sa.update(dead_letters)
        .where(same)
        .values(times=dead_letters.c.times + 1, replayed=None, **told)
        .returning(dead_letters.c.letter_id)
    ).scalar_one_or_none()
    if known is not None:
        return known
    new: int = work.conn.execute(
        sa.insert(dead_letters)
        .values(
            way=letter.way,
            sha256=digest,
            source=letter.source,
            event_id=letter.event_id,
            headers=_json(letter.headers),
            body=letter.body[:_BODY_KEPT],
            **told,
        )
        .returning(dead_letters.c.letter_id)
    ).scalar_one()
    return new


def prune(work: Work, keep_days: int) -> None:
    """Erase what is older than the site keeps payloads, and the oldest beyond the most kept."""
    beyond = work.conn.execute(
        sa.select(dead_letters.c.letter_id)
        .order_by(dead_letters.c.letter_id.desc())
        .offset(MOST_KEPT)
        .limit(1)
    ).scalar_one_or_none()
    old = dead_letters.c.time < work.now - timedelta(days=keep_days)
    gone = old if beyond is None else old | (dead_letters.c.letter_id <= beyond)
    work.conn.execute(sa.delete(dead_letters).where(gone))


def count(conn: Connection) -> int:
    """How many wait for somebody to look."""
    found: int = conn.execute(
        sa.select(sa.func.count()).where(dead_letters.c.replayed.is_(None))
    ).scalar_one()
    return found


def page(conn: Connection, *, before: int | None = None, limit: int = 50) -> list[DeadLetter]:
    """Letters, the newest first, without their bodies."""
    query = sa.select(dead_letters).order_by(dead_letters.c.letter_id.desc()).limit(limit)
    if before is not None:
        query = query.where(dead_letters.c.letter_id < before)
    return [_letter(row) for row in conn.execute(query).mappings()]


def one(conn: Connection, letter_id: int) -> DeadLetter:
    """One letter with its body. Raises `NotFound`."""
    row = _row(conn, letter_id)
    body: bytes = row["body"]
    try:
        shown = {"body": body.decode()}
    except UnicodeDecodeError:
        shown = {"body_base64": base64.b64encode(body).decode()}
    return _letter(row).model_copy(update=shown)


def content(conn: Connection, letter_id: int) -> tuple[str, bytes, dict[str, str]]:
    """Way, body and headers of a letter, to be tried once more. Raises `NotFound`."""
    row = _row(conn, letter_id)
    headers: dict[str, str] = json.loads(row["headers"])
    return row["way"], row["body"], headers


def replayed(work: Work, letter_id: int) -> None:
    """It went through now."""
    _set(work, letter_id, replayed=work.now)


def refused_again(work: Work, letter_id: int, problem: str, reason: str) -> None:
    """It was tried once more and refused."""
    _set(work, letter_id, problem=problem, reason=reason[:_TEXT_KEPT])


def _set(work: Work, letter_id: int, **values: object) -> None:
    work.conn.execute(
        sa.update(dead_letters).where(dead_letters.c.letter_id == letter_id).values(**values)
    )


def _row(conn: Connection, letter_id: int) -> RowMapping:
    query = sa.select(dead_letters).where(dead_letters.c.letter_id == letter_id)
    row = conn.execute(query).mappings().one_or_none()
    if row is None:
        raise NotFound(f"There is no dead letter {letter_id}.")
    return row


def _letter(row: RowMapping) -> DeadLetter:
    return DeadLetter(
        id=row["letter_id"],
        way=row["way"],
        time=row["time"],
        times=row["times"],
        problem=row["problem"],
        reason=row["reason"],
        source=row["source"],
        event_id=row["event_id"],
        headers=json.loads(row["headers"]),
        replayed=row["replayed"],
    )


def _json(headers: Mapping[str, str]) -> str:
    return json.dumps(dict(headers), sort_keys=True, ensure_ascii=False)
