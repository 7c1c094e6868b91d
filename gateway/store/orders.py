"""Orders, parcels, labels and events in SQL."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.store import prepared
from gateway.store.tables import events, labels, order_articles, orders, parcels
from schemas.decision import Decision, Outcome, Parcel
from schemas.events import Accepted


@dataclass(frozen=True, slots=True)
class OrderRow:
    """An order as it is stored; `content` is empty once erased."""

    order_id: str
    scan_code: str
    received: datetime
    changed: datetime
    station: str
    outcome: Outcome
    content_sha256: str
    content: bytes | None
    decision: Decision


@dataclass(frozen=True, slots=True)
class ParcelRow:
    """A parcel as it is stored."""

    parcel_id: str
    order_id: str
    number: int
    of: int
    parcel: Parcel
    created: datetime


_P = sa.bindparam
_ONE = sa.select(orders).where(orders.c.order_id == _P("order_id"))
_INSERT = sa.insert(orders)
_KNOWN = sa.select(orders.c.order_id).where(orders.c.order_id == _P("order_id"))
_INSERT_PARCEL = sa.insert(parcels)
_PARCELS_OF = (
    sa.select(parcels)
    .where(parcels.c.order_id == _P("order_id"))
    .order_by(parcels.c.created, parcels.c.number)
)
_ONE_PARCEL = sa.select(parcels).where(parcels.c.parcel_id == _P("parcel_id"))
_LABEL_KNOWN = sa.select(labels.c.content.is_not(None)).where(labels.c.sha256 == _P("sha256"))
_INSERT_LABEL = sa.insert(labels)
_ANSWER = sa.select(events.c.content_sha256, events.c.answer).where(
    events.c.source == _P("source"), events.c.event_id == _P("event_id")
)
_INSERT_EVENT = sa.insert(events)
_INSERT_ARTICLES = sa.insert(order_articles)


def find(conn: Connection, order_id: str) -> OrderRow | None:
    """The order of that id."""
    row = conn.execute(_ONE, {"order_id": order_id}).first()
    return None if row is None else _order(row)


def latest(conn: Connection, *, outcome: Outcome | None, limit: int) -> list[OrderRow]:
    """The orders received last, newest first."""
    query = sa.select(orders).order_by(orders.c.received.desc()).limit(limit)
    if outcome is not None:
        query = query.where(orders.c.outcome == outcome)
    return [_order(row) for row in conn.execute(query)]


def _order(row: "sa.Row[Any]") -> OrderRow:
    values = row._mapping
    return OrderRow(
        **{
            **values,
            "outcome": Outcome(values["outcome"]),
            "decision": Decision.model_validate_json(values["decision"]),
        }
    )


def put(conn: Connection, row: OrderRow, articles: Collection[str]) -> None:
    """Insert the order, or replace what an earlier scan had decided for it.

    `articles` are those that it holds, for the search.
    """
    values: dict[str, object] = {
        "scan_code": row.scan_code,
        "changed": row.changed,
        "station": row.station,
        "outcome": row.outcome,
        "content_sha256": row.content_sha256,
        "content": row.content,
        "decision": row.decision.model_dump_json(exclude_defaults=True),
    }
    if prepared.row(conn, _KNOWN, {"order_id": row.order_id}) is None:
        prepared.run(conn, _INSERT, {"order_id": row.order_id, "received": row.received, **values})
    else:
        conn.execute(sa.update(orders).where(orders.c.order_id == row.order_id).values(**values))
        conn.execute(sa.delete(order_articles).where(order_articles.c.order_id == row.order_id))
    if articles:
        noted = [{"sku": sku, "order_id": row.order_id} for sku in sorted(articles)]
        prepared.run_for_each(conn, _INSERT_ARTICLES, noted)


def put_parcel(conn: Connection, row: ParcelRow) -> None:
    """Insert a parcel."""
    prepared.run(
        conn,
        _INSERT_PARCEL,
        {
            "parcel_id": row.parcel_id,
            "order_id": row.order_id,
            "number": row.number,
            "of": row.of,
            "parcel": row.parcel.model_dump_json(),
            "created": row.created,
        },
    )


def find_parcel(conn: Connection, parcel_id: str) -> ParcelRow | None:
    """The parcel of that id."""
    found = _parcels(conn, _ONE_PARCEL, parcel_id=parcel_id)
    return found[0] if found else None


def parcels_of(conn: Connection, order_id: str) -> list[ParcelRow]:
    """Every parcel that the order ever had, oldest first."""
    return _parcels(conn, _PARCELS_OF, order_id=order_id)


def _parcels(conn: Connection, query: "sa.Select[Any]", **values: str) -> list[ParcelRow]:
    return [
        ParcelRow(**{**row._mapping, "parcel": Parcel.model_validate_json(row._mapping["parcel"])})
        for row in conn.execute(query, values)
    ]


def put_label(conn: Connection, sha256: str, language: str, content: bytes, now: datetime) -> None:
    """Keep a label's bytes, named by digest; the same bytes once."""
    kept = prepared.row(conn, _LABEL_KNOWN, {"sha256": sha256})
    if kept is None:
        prepared.run(
            conn,
            _INSERT_LABEL,
            {"sha256": sha256, "language": language, "content": content, "created": now},
        )
    elif not kept[0]:
        conn.execute(sa.update(labels).where(labels.c.sha256 == sha256).values(content=content))


def answer_of(conn: Connection, source: str, event_id: str) -> tuple[str, Accepted] | None:
    """Content digest and answer of an event that was accepted before."""
    row = prepared.row(conn, _ANSWER, {"source": source, "event_id": event_id})
    return None if row is None else (row[0], Accepted.model_validate_json(row[1]))


def put_event(
    conn: Connection,
    answer: Accepted,
    *,
    type_: str,
    station: str,
    content_sha256: str,
    raw: bytes,
    now: datetime,
) -> None:
    """Keep an event as it came, with the answer that it got."""
    prepared.run(
        conn,
        _INSERT_EVENT,
        {
            "source": answer.source,
            "event_id": answer.id,
            "received": now,
            "type": type_,
            "station": station,
            "content_sha256": content_sha256,
            "raw": raw,
            "answer": answer.model_dump_json(),
        },
    )
