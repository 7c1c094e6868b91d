"""What leaves the store when its time is up: payloads first, the rest of a done order later.

Payloads are personal data: events and orders as they came, label bytes. What they were is told in
the ledger by digest, and each erasure is an entry of its own, so the chain stays whole. Nothing
of an order leaves while one of its labels is still on its way, however old it is.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa
from pydantic import JsonValue
from sqlalchemy.engine import Connection

from gateway.store.store import Store
from gateway.store.tables import (
    LIVE_STATES,
    case_entries,
    cases,
    codes,
    events,
    holds,
    jobs,
    labels,
    measurements,
    order_articles,
    orders,
    parcels,
)
from gateway.store.work import Work
from schemas.cases import CaseState
from schemas.ledger import EntryKind
from schemas.site import StoreSettings

AT_ONCE = 200
"""Rows in one step, so that nothing waits long for its turn to write."""


@dataclass(frozen=True, slots=True)
class Due:
    """Up to when payloads and records have had their time."""

    payloads: datetime
    records: datetime

    @classmethod
    def at(cls, now: datetime, settings: StoreSettings) -> "Due":
        """By the site's settings."""
        return cls(
            now - timedelta(days=settings.keep_payloads_days),
            now - timedelta(days=settings.keep_records_days),
        )


@dataclass(slots=True)
class Erased:
    """How much left the store."""

    orders: int = 0
    """Orders whose content was erased."""
    labels: int = 0
    events: int = 0
    records: int = 0
    """Orders that left the store altogether."""
    others: int = 0
    """Rows of other tables: old events, holds, cases, measurements."""

    def any(self) -> bool:
        """Whether anything left."""
        return any((self.orders, self.labels, self.events, self.records, self.others))


def due_now(conn: Connection, due: Due) -> Erased:
    """Count what `erase_due` would take."""
    return Erased(
        orders=_count(conn, _orders_due(due)),
        labels=_count(conn, _labels_due(due)),
        events=_count(conn, _events_due(due)),
        records=_count(conn, _records_due(due)),
    )


async def erase_due(store: Store, due: Due) -> Erased:
    """Erase all that is due, in small steps. Whatever fails leaves the rest as it was."""
    erased = Erased()
    erased.orders = await _until_done(store, lambda work: _erase_orders(work, due))
    erased.labels = await _until_done(store, lambda work: _erase_labels(work, due))
    erased.events = await _until_done(store, lambda work: _erase_events(work, due))
    erased.records = await _until_done(store, lambda work: _drop_records(work, due))
    erased.others = await _until_done(store, lambda work: _drop_others(work, due))
    return erased


async def _until_done(store: Store, step: Callable[[Work], int]) -> int:
    done = 0
    while count := await store.write(lambda work: _wiping(work, step)):
        done += count
    return done


def _wiping(work: Work, step: Callable[[Work], int]) -> int:
    """What SQLite frees is overwritten: erased addresses don't linger in the file."""
    if work.conn.dialect.name != "sqlite":
        return step(work)
    work.conn.exec_driver_sql("PRAGMA secure_delete=ON")
    try:
        return step(work)
    finally:
        work.conn.exec_driver_sql("PRAGMA secure_delete=OFF")


# Payloads


def _live_of_order() -> "sa.Exists":
    return sa.exists().where(jobs.c.order_id == orders.c.order_id, jobs.c.state.in_(LIVE_STATES))


def _orders_due(due: Due) -> "sa.Select[Any]":
    return sa.select(orders.c.order_id, orders.c.content_sha256).where(
        orders.c.content.is_not(None),
        orders.c.received < due.payloads,
        orders.c.changed < due.payloads,
        ~_live_of_order(),
    )


def _erase_orders(work: Work, due: Due) -> int:
    found = work.conn.execute(_orders_due(due).limit(AT_ONCE)).all()
    if found:
        ids = [row.order_id for row in found]
        work.conn.execute(sa.update(orders).where(orders.c.order_id.in_(ids)).values(content=None))
    for row in found:
        work.record(
            EntryKind.ERASED,
            order_id=row.order_id,
            what="order",
            content_sha256=row.content_sha256,
        )
    return len(found)


def _labels_due(due: Due) -> "sa.Select[Any]":
    """Labels that no live job and no young one carries."""
    wanted = sa.exists().where(
        jobs.c.label_sha256 == labels.c.sha256,
        sa.or_(jobs.c.state.in_(LIVE_STATES), jobs.c.changed >= due.payloads),
    )
    return sa.select(labels.c.sha256).where(
        labels.c.content.is_not(None), labels.c.created < due.payloads, ~wanted
    )


def _erase_labels(work: Work, due: Due) -> int:
    found = [row.sha256 for row in work.conn.execute(_labels_due(due).limit(AT_ONCE))]
    if found:
        work.conn.execute(sa.update(labels).where(labels.c.sha256.in_(found)).values(content=None))
        _tell(work, "labels", found)
    return len(found)


def _events_due(due: Due) -> "sa.Select[Any]":
    return sa.select(events.c.source, events.c.event_id, events.c.content_sha256).where(
        events.c.raw.is_not(None), events.c.received < due.payloads
    )


def _erase_events(work: Work, due: Due) -> int:
    found = work.conn.execute(_events_due(due).limit(AT_ONCE)).all()
    if found:
        keys = [(row.source, row.event_id) for row in found]
        _for_events(work, sa.update(events).values(raw=None), keys)
        _tell(work, "events", [row.content_sha256 for row in found])
    return len(found)


def _for_events(
    work: Work, change: "sa.Update | sa.Delete", keys: Sequence[tuple[str, str]]
) -> None:
    work.conn.execute(
        change.where(
            events.c.source == sa.bindparam("of_source"),
            events.c.event_id == sa.bindparam("of_event"),
        ),
        [{"of_source": source, "of_event": event_id} for source, event_id in keys],
    )


# Records


def _records_due(due: Due) -> "sa.Select[Any]":
    young = sa.exists().where(jobs.c.order_id == orders.c.order_id, jobs.c.changed >= due.records)
    open_case = sa.exists().where(
        cases.c.order_id == orders.c.order_id, cases.c.state != CaseState.CLOSED
    )
    return sa.select(orders.c.order_id).where(
        orders.c.received < due.records,
        orders.c.changed < due.records,
        ~_live_of_order(),
        ~young,
        ~open_case,
    )


def _drop_records(work: Work, due: Due) -> int:
    conn = work.conn
    ids = [row.order_id for row in conn.execute(_records_due(due).limit(AT_ONCE))]
    if not ids:
        return 0
    of_them = jobs.c.order_id.in_(ids)
    carried = sorted(
        {row.label_sha256 for row in conn.execute(sa.select(jobs.c.label_sha256).where(of_them))}
    )
    mine = sa.select(jobs.c.job_id).where(of_them)
    about = sa.select(cases.c.case_id).where(cases.c.order_id.in_(ids))
    for gone in (
        sa.delete(codes).where(codes.c.job_id.in_(mine)),
        sa.delete(jobs).where(of_them),
        sa.delete(parcels).where(parcels.c.order_id.in_(ids)),
        sa.delete(order_articles).where(order_articles.c.order_id.in_(ids)),
        sa.delete(case_entries).where(case_entries.c.case_id.in_(about)),
        sa.delete(cases).where(cases.c.order_id.in_(ids)),
        sa.delete(orders).where(orders.c.order_id.in_(ids)),
    ):
        conn.execute(gone)
    still = sa.select(jobs.c.label_sha256).where(jobs.c.label_sha256.in_(carried))
    conn.execute(sa.delete(labels).where(labels.c.sha256.in_(carried), ~labels.c.sha256.in_(still)))
    _tell(work, "records", ids)
    return len(ids)


def _drop_others(work: Work, due: Due) -> int:
    """Rows that belong to no order; nothing of them is personal, so one count tells all."""
    conn, count = work.conn, 0
    old = conn.execute(
        sa.select(events.c.source, events.c.event_id)
        .where(events.c.received < due.records)
        .limit(AT_ONCE)
    ).all()
    if old:
        _for_events(work, sa.delete(events), [(row.source, row.event_id) for row in old])
    closed = sa.select(cases.c.case_id).where(
        cases.c.state == CaseState.CLOSED, cases.c.changed < due.records
    )
    gone: tuple[sa.Delete, ...] = (
        sa.delete(holds).where(holds.c.hold_id.in_(_first(holds.c.hold_id, holds.c.released, due))),
        sa.delete(case_entries).where(case_entries.c.case_id.in_(closed)),
        sa.delete(cases).where(cases.c.case_id.in_(closed)),
        sa.delete(measurements).where(measurements.c.taken < due.records),
    )
    for one in gone:
        count += conn.execute(one).rowcount
    count += len(old)
    if count:
        work.record(EntryKind.ERASED, what="others", count=count)
    return count


def _first(key: "sa.Column[Any]", moment: "sa.Column[Any]", due: Due) -> "sa.Select[Any]":
    return sa.select(key).where(moment < due.records).order_by(key).limit(AT_ONCE)


def _tell(work: Work, what: str, names: Sequence[str]) -> None:
    listed: list[JsonValue] = list(names)
    work.record(EntryKind.ERASED, what=what, count=len(listed), of=listed)


def _count(conn: Connection, query: "sa.Select[Any]") -> int:
    return conn.execute(sa.select(sa.func.count()).select_from(query.subquery())).scalar_one()
