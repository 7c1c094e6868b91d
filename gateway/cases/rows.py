"""Cases in SQL: named queries, typed rows."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.figures.day_facts import Cases, OpenCase
from gateway.store import prepared
from gateway.store.tables import case_entries, cases, entries
from schemas.cases import Case, CaseKind, CaseState


@dataclass(frozen=True, slots=True)
class NewCase:
    """A case to be opened. `subject` tells it from others of its kind that aren't closed."""

    kind: CaseKind
    subject: str
    text: str
    station: str | None = None
    order_id: str | None = None
    job_id: str | None = None
    code: str | None = None


def find(conn: Connection, case_id: str) -> Case | None:
    """The case of that id."""
    row = conn.execute(sa.select(cases).where(cases.c.case_id == case_id)).first()
    return None if row is None else _case(row)


def listed(
    conn: Connection, *, state: CaseState | None = None, kind: CaseKind | None = None, limit: int
) -> list[Case]:
    """Cases for a list, newest first."""
    query = sa.select(cases).order_by(cases.c.opened.desc()).limit(limit)
    if state is not None:
        query = query.where(cases.c.state == state)
    if kind is not None:
        query = query.where(cases.c.kind == kind)
    return [_case(row) for row in conn.execute(query)]


def of_order(conn: Connection, order_id: str) -> list[Case]:
    """Cases about an order, oldest first."""
    query = sa.select(cases).where(cases.c.order_id == order_id).order_by(cases.c.opened)
    return [_case(row) for row in conn.execute(query)]


def not_closed(conn: Connection, kind: CaseKind, subject: str) -> str | None:
    """Id of the case of that kind and subject that isn't closed yet."""
    return conn.execute(
        sa.select(cases.c.case_id).where(
            cases.c.kind == kind, cases.c.subject == subject, cases.c.state != CaseState.CLOSED
        )
    ).scalar_one_or_none()


_NOT_CLOSED = cases.c.state != sa.literal_column("'closed'")
"""As the partial index states it: with a bound value SQLite would not use the index."""

_AT_STATION = sa.select(cases.c.case_id).where(
    cases.c.station == sa.bindparam("about"), _NOT_CLOSED
)
_ABOUT_ORDER = sa.select(cases.c.case_id).where(
    cases.c.order_id == sa.bindparam("about"), _NOT_CLOSED
)


def waiting_about(
    conn: Connection, stations: Collection[str], orders: Collection[str]
) -> list[Case]:
    """Cases that aren't closed and concern one of these stations or orders.

    Asked at every verifying scan: so two fixed statements, made once.
    """
    found: dict[str, Case] = {}
    for query, names in ((_AT_STATION, stations), (_ABOUT_ORDER, orders)):
        for name in names:
            for case_id, *_ in prepared.rows(conn, query, {"about": name}):
                case = find(conn, case_id)
                if case is not None:
                    found[case_id] = case
    return list(found.values())


def count_not_closed(conn: Connection) -> int:
    """How many cases wait for a person."""
    return conn.execute(
        sa.select(sa.func.count()).select_from(cases).where(cases.c.state != CaseState.CLOSED)
    ).scalar_one()


def insert(conn: Connection, case_id: str, new: NewCase, now: datetime) -> None:
    """Open a case."""
    conn.execute(
        sa.insert(cases).values(
            case_id=case_id,
            kind=new.kind,
            state=CaseState.OPEN,
            subject=new.subject,
            opened=now,
            changed=now,
            station=new.station,
            order_id=new.order_id,
            job_id=new.job_id,
            code=new.code,
            text=new.text,
        )
    )


def change(conn: Connection, case: Case, to: Case) -> bool:
    """Set state, kind, note and person if the case still stands as `case` says; whether it did."""
    changed = conn.execute(
        sa.update(cases)
        .where(
            cases.c.case_id == case.case_id,
            cases.c.state == case.state,
            cases.c.changed == case.changed,
        )
        .values(
            state=to.state,
            kind=to.kind,
            note=to.note,
            person=to.by,
            changed=to.changed,
            closed=to.closed,
        )
    )
    return changed.rowcount == 1


def link(conn: Connection, case_id: str, seqs: Collection[int]) -> None:
    """Put entries into the case's chain; those that are in it already stay there once."""
    known = conn.execute(
        sa.select(case_entries.c.seq).where(
            case_entries.c.case_id == case_id, case_entries.c.seq.in_(seqs)
        )
    )
    new = sorted(set(seqs) - {row.seq for row in known})
    if new:
        conn.execute(sa.insert(case_entries), [{"case_id": case_id, "seq": seq} for seq in new])


def chain_of(conn: Connection, case_id: str) -> list[tuple[bytes, bytes]]:
    """Canonical text and hash of the case's entries, in their order."""
    found = conn.execute(
        sa.select(entries.c.canonical, entries.c.hash)
        .join(case_entries, case_entries.c.seq == entries.c.seq)
        .where(case_entries.c.case_id == case_id)
        .order_by(entries.c.seq)
    )
    return [(row.canonical, row.hash) for row in found]


def settling(conn: Connection, start: datetime, end: datetime) -> Cases:
    """How long the cases took that were closed in a time, and which were open at its end."""
    closed = conn.execute(
        sa.select(cases.c.opened, cases.c.closed).where(
            cases.c.closed >= start, cases.c.closed < end
        )
    )
    waiting = conn.execute(
        sa.select(cases).where(
            cases.c.opened < end, sa.or_(cases.c.closed.is_(None), cases.c.closed >= end)
        )
    )
    return Cases(
        settled_s=tuple((row.closed - row.opened).total_seconds() for row in closed),
        still_open=tuple(
            OpenCase(row.case_id, row.kind, row.station or "", row.opened) for row in waiting
        ),
    )


def _case(row: "sa.Row[Any]") -> Case:
    values = row._mapping
    return Case(
        case_id=values["case_id"],
        kind=CaseKind(values["kind"]),
        state=CaseState(values["state"]),
        opened=values["opened"],
        changed=values["changed"],
        closed=values["closed"],
        station=values["station"],
        order_id=values["order_id"],
        job_id=values["job_id"],
        code=values["code"],
        text=values["text"],
        note=values["note"],
        by=values["person"],
    )
