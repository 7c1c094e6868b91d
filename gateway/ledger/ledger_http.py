"""Routes of the ledger: its end, checkpoints, entries, proofs, EPCIS events, daily reports."""

import asyncio
import re
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import orjson
from fastapi import APIRouter, Query, Response
from pydantic import BeforeValidator
from sqlalchemy.engine import Connection

from gateway.clock import Clock
from gateway.errors import NotAllowedNow, NotFound
from gateway.ledger import checkpoints, entries, epcis, evidence_store
from gateway.ledger.checkpoint import public_text
from gateway.ledger.day import day_facts
from gateway.ledger.day_paper import written
from gateway.ledger.epcis_store import epcis_page, epcis_site
from gateway.ledger.keys import archive_dir
from gateway.ledger.proof import EntriesProof, GrowthProof, NotProvable
from gateway.ledger.sealing import Sealer
from gateway.ledger.stored_tree import archive_rows, file_holding
from gateway.store.store import Store
from gateway.store.work import LedgerTail
from schemas.base import Record, Sha256
from schemas.ledger import Checkpoint, LedgerEntry
from schemas.site import Site

Limit = Annotated[int, Query(ge=1, le=1000)]
After = Annotated[int, Query(ge=0, le=2**53)]


class ArchiveView(Record):
    """Where old entries went."""

    first: int
    last: int
    file: str
    sha256: Sha256


class LedgerHeadView(Record):
    """The ledger's end, and what signs it."""

    size: int
    last_hash: Sha256
    root: Sha256
    public_key: str
    """Base64 of the 32 bytes of the Ed25519 key that signs here."""
    checkpoint: Checkpoint | None
    """The latest one."""
    archives: tuple[ArchiveView, ...]


class ReportForm(StrEnum):
    """How a daily report is written."""

    HTML = "html"
    PDF = "pdf"
    CSV = "csv"
    JSONL = "jsonl"


def routes(site: Site, store: Store, sealer: Sealer, clock: Clock) -> APIRouter:
    """Read-only routes.

    To be taken up before the routes of orders, whose ids may hold slashes.
    """
    router = APIRouter(tags=["ledger"])
    folder = archive_dir(site)

    @router.get("/v1/ledger/head")
    async def head() -> LedgerHeadView:
        """The ledger's size, last hash and Merkle root now, and the latest checkpoint."""
        key = public_text(sealer.key.public_key())
        return await store.read(lambda conn: _head(conn, key))

    @router.get("/v1/ledger/checkpoints")
    async def signed(after: After = 0, limit: Limit = 100) -> list[Checkpoint]:
        """Checkpoints of more than `after` entries, oldest first."""
        return await store.read(lambda conn: checkpoints.page(conn, after=after, limit=limit))

    @router.get("/v1/ledger/entries")
    async def some_entries(after: After = 0, limit: Limit = 100) -> list[LedgerEntry]:
        """Entries after a number, in order; 404 names the file of those that were archived."""
        return await store.read(lambda conn: _entries(conn, after, limit))

    @router.get("/v1/ledger/growth")
    async def growth(earlier: After, later: After) -> GrowthProof:
        """Proof that the checkpoint of one size grew out of that of another."""
        return await store.read(lambda conn: _growth(conn, earlier, later, folder))

    @router.get("/v1/orders/{order_id:path}/proof")
    async def proof(order_id: str) -> EntriesProof:
        """Proof that all entries about an order are in the signed ledger."""
        return await store.read(
            lambda conn: evidence_store.order_proof(conn, order_id, site, lambda: sealer.key, clock)
        )

    _add_epcis(router, site, store, clock)
    _add_report(router, site, store, clock)
    return router


def _add_epcis(router: APIRouter, site: Site, store: Store, clock: Clock) -> None:
    where = epcis_site(site)

    @router.get("/v1/epcis/events", response_class=Response)
    async def events(after: After = 0, limit: Limit = 100) -> Response:
        """EPCIS 2.0 events as an answer to a query; `Link: rel="next"` leads to the next page."""
        page = await store.read(lambda conn: epcis_page(conn, where, after=after, limit=limit))
        document = epcis.query_document(page.events, clock.now())
        headers = {}
        if page.more:
            address = f"/v1/epcis/events?after={page.until}&limit={limit}"
            headers["Link"] = f'<{address}>; rel="next"'
        return Response(orjson.dumps(document), media_type=epcis.MEDIA_TYPE, headers=headers)


def _written_out(day: object) -> object:
    """Only a date as it is written (RFC 3339): the model would take a number for one, too."""
    if isinstance(day, str) and not re.fullmatch(r"\d{4}-\d\d-\d\d", day):
        raise ValueError("write a date such as 2026-01-31")
    return day


Day = Annotated[date, BeforeValidator(_written_out)]


def _add_report(router: APIRouter, site: Site, store: Store, clock: Clock) -> None:
    zone = ZoneInfo(site.time_zone)

    @router.get("/v1/reports/daily", response_class=Response)
    async def daily(day: Day | None = None, form: ReportForm = ReportForm.HTML) -> Response:
        """The report of a day, today where none is named, as a page, a paper or a table."""
        now = clock.now()
        asked = day or now.astimezone(zone).date()
        facts = await store.read(lambda conn: day_facts(conn, site, asked, zone, now))
        content, media_type = await asyncio.to_thread(written, facts, site, form.value)
        return Response(content, media_type=media_type)


def _head(conn: Connection, public_key: str) -> LedgerHeadView:
    tail = LedgerTail.read(conn)
    return LedgerHeadView(
        size=tail.size,
        last_hash=tail.last_hash,
        root=tail.range.root().hex(),
        public_key=public_key,
        checkpoint=checkpoints.latest(conn),
        archives=tuple(
            ArchiveView(first=one.first, last=one.last, file=one.file, sha256=one.sha256)
            for one in archive_rows(conn)
        ),
    )


def _growth(conn: Connection, earlier: int, later: int, folder: Path) -> GrowthProof:
    try:
        return evidence_store.growth_proof(conn, earlier, later, folder)
    except NotProvable as why:
        raise NotAllowedNow(str(why)) from why


def _entries(conn: Connection, after: int, limit: int) -> list[LedgerEntry]:
    moved = file_holding(conn, after + 1)
    if moved is not None:
        raise NotFound(
            f"Entries {moved.first} to {moved.last} moved to the archive file {moved.file}. Read"
            f" them there, or go on after {moved.last}."
        )
    return entries.page(conn, after=after, limit=limit)
