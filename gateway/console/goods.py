"""Master data: sizes in dispute, sizes that are missing, bags that nobody chooses."""

from collections import Counter
from dataclasses import dataclass

import orjson
import sqlalchemy as sa
from fastapi import APIRouter, Request, Response
from sqlalchemy.engine import Connection

from gateway.cases import rows as case_rows
from gateway.console.parts import Parts
from gateway.store.tables import entries
from gateway.store.tables import jobs as jobs_table
from gateway.store.tables import parcels as parcels_table
from schemas.cases import Case, CaseKind, CaseState
from schemas.decision import ReasonCode
from schemas.ledger import EntryKind

LATEST_BAGS = 5000
LATEST_MANUAL = 2000
_LACKING = frozenset({ReasonCode.NO_SIZE.value, ReasonCode.NO_MASS.value, "size_absurd"})


@dataclass(frozen=True, slots=True)
class Lacking:
    """Something that the catalogue lacks, and the orders that it sent to manual packing."""

    text: str
    orders: tuple[str, ...]
    count: int


@dataclass(frozen=True, slots=True)
class BagUse:
    """A bag of the site file and how often it was chosen of late."""

    bag: str
    chosen: int


def routes(parts: Parts) -> APIRouter:
    """The page."""
    router = APIRouter(include_in_schema=False, route_class=parts.frame.route_class())

    @router.get("/goods")
    async def goods(request: Request) -> Response:
        disputed, lacking, bags, looked_at = await parts.store.read(
            lambda conn: _all(conn, [bag.id for bag in parts.site.bag])
        )
        return await parts.frame.page(
            request,
            "goods.html",
            disputed=disputed,
            lacking=lacking,
            bags=bags,
            looked_at=looked_at,
        )

    return router


def _all(conn: Connection, bags: list[str]) -> tuple[list[Case], list[Lacking], list[BagUse], int]:
    disputed = [
        case
        for case in case_rows.listed(conn, kind=CaseKind.CATALOGUE_SIZE_WRONG, limit=500)
        if case.state is not CaseState.CLOSED
    ]
    chosen = _chosen(conn)
    used = sorted((BagUse(bag, chosen[bag]) for bag in bags), key=lambda one: one.chosen)
    return disputed, _lacking(conn), used, sum(chosen.values())


def _lacking(conn: Connection) -> list[Lacking]:
    """What the latest orders for manual packing lacked, the most frequent first."""
    found = conn.execute(
        sa.select(entries.c.canonical)
        .where(entries.c.kind == EntryKind.ORDER_MANUAL)
        .order_by(entries.c.seq.desc())
        .limit(LATEST_MANUAL)
    )
    orders: dict[str, list[str]] = {}
    for row in found:
        entry = orjson.loads(row.canonical)
        for reason in entry["data"]["reasons"]:
            if reason["code"] in _LACKING:
                text = reason["text"].partition(": ")[2] or reason["text"]
                orders.setdefault(text, []).append(entry["order_id"])
    return sorted(
        (Lacking(text, tuple(ids[:5]), len(ids)) for text, ids in orders.items()),
        key=lambda one: -one.count,
    )


def _chosen(conn: Connection) -> Counter[str]:
    """How often each bag was chosen among the latest jobs."""
    latest = (
        sa.select(jobs_table.c.parcel_id)
        .order_by(jobs_table.c.changed.desc())
        .limit(LATEST_BAGS)
        .subquery()
    )
    found = conn.execute(
        sa.select(parcels_table.c.parcel).join(
            latest, latest.c.parcel_id == parcels_table.c.parcel_id
        )
    )
    return Counter(orjson.loads(row.parcel)["bag"]["id"] for row in found)
