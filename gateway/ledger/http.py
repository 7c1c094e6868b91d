"""Routes of the read side: orders, parcels, labels."""

import base64

from fastapi import APIRouter, Query
from sqlalchemy.engine import Connection

from gateway.errors import NotFound
from gateway.ledger.trace import order_story, parcel_view
from gateway.store import jobs, orders
from gateway.store.store import Store
from schemas.decision import Outcome
from schemas.job import LabelJob
from schemas.views import LabelBytes, OrderStory, OrderSummary, ParcelView


def routes(store: Store) -> APIRouter:
    """Read-only routes over the store."""
    router = APIRouter(tags=["orders"])

    @router.get("/v1/orders")
    async def latest_orders(
        outcome: Outcome | None = None, limit: int = Query(50, ge=1, le=500)
    ) -> list[OrderSummary]:
        """The orders received last; `outcome=manual` lists what waits for manual packing."""
        return await store.read(lambda conn: summaries(conn, outcome=outcome, limit=limit))

    @router.get("/v1/orders/{order_id:path}")
    async def one_order(order_id: str) -> OrderStory:
        """The story of one order."""
        return await store.read(lambda conn: order_story(conn, order_id))

    @router.get("/v1/parcels/{parcel_id}")
    async def one_parcel(parcel_id: str) -> ParcelView:
        """One parcel with its jobs."""
        return await store.read(lambda conn: parcel_view(conn, parcel_id))

    @router.get("/v1/jobs/{job_id}")
    async def one_job(job_id: str) -> LabelJob:
        """One label job."""
        return await store.read(lambda conn: _job(conn, job_id))

    @router.get("/v1/jobs/{job_id}/label")
    async def label(job_id: str) -> LabelBytes:
        """The job's label as it was sent, while its bytes are kept."""
        return await store.read(lambda conn: _label(conn, job_id))

    return router


def summaries(conn: Connection, *, outcome: Outcome | None, limit: int) -> list[OrderSummary]:
    """Orders for a list, newest first."""
    return [
        OrderSummary(
            order_id=row.order_id,
            station=row.station,
            outcome=row.outcome,
            received=row.received,
            text="; ".join(reason.text for reason in row.decision.reasons),
        )
        for row in orders.latest(conn, outcome=outcome, limit=limit)
    ]


def _job(conn: Connection, job_id: str) -> LabelJob:
    found = jobs.find(conn, job_id)
    if found is None:
        raise NotFound(f"There is no job {job_id!r}.")
    return jobs.public(conn, [found])[0]


def _label(conn: Connection, job_id: str) -> LabelBytes:
    found = jobs.find(conn, job_id)
    label = jobs.label_of(conn, found.label_sha256) if found else None
    if found is None or label is None:
        raise NotFound(f"There is no job {job_id!r}.")
    language, content = label
    return LabelBytes(
        sha256=found.label_sha256,
        language=language,
        content_base64=base64.b64encode(content).decode() if content is not None else None,
        jobs=(found.job_id,),
    )
