"""The ledger: what it holds, whether it stands, and the checkpoints that sign it."""

from dataclasses import dataclass

import sqlalchemy as sa
from fastapi import APIRouter, Request, Response
from sqlalchemy.engine import Connection

from gateway.console.frame import back_to, form_of
from gateway.console.orders import Step, step
from gateway.console.parts import Parts
from gateway.ledger import entries as ledger_entries
from gateway.ledger.checkpoints import latest
from gateway.ledger.keys import archive_dir
from gateway.ledger.merkle import CompactRange
from gateway.ledger.whole_check import WholeReport, check_whole
from gateway.store.tables import entries, ledger_head
from schemas.ledger import EntryKind

_SHOWN = 30


@dataclass(frozen=True, slots=True)
class Head:
    """The ledger's end."""

    size: int
    last_hash: str
    root: str


def routes(parts: Parts) -> APIRouter:
    """The page, and the check that it starts."""
    router = APIRouter(include_in_schema=False, route_class=parts.frame.route_class())

    async def page(request: Request, report: WholeReport | None, took_s: float = 0) -> Response:
        head, newest, checkpoints = await parts.store.read(_read)
        return await parts.frame.page(
            request,
            "ledger.html",
            head=head,
            latest=newest,
            checkpoints=checkpoints,
            report=report,
            took_s=took_s,
        )

    @router.get("/ledger")
    async def ledger(request: Request) -> Response:
        return await page(request, None)

    @router.post("/ledger/verify")
    async def check(request: Request) -> Response:
        """Read every entry again. Takes seconds for each million entries; nothing else waits."""
        await form_of(request)
        began = parts.clock.monotonic()
        folder = archive_dir(parts.site)
        report = await parts.store.read(lambda conn: check_whole(conn, folder))
        return await page(request, report, parts.clock.monotonic() - began)

    @router.post("/ledger/sign")
    async def sign(request: Request) -> Response:
        """Sign what is committed now, as the gateway does by itself every so often."""
        await form_of(request)
        before = await parts.store.read(latest)
        signed = await parts.sealer.sign_and_tell()
        return back_to("/ledger", "signed_before" if signed == before else "signed")

    return router


def _read(conn: Connection) -> tuple[Head, list[Step], list[Step]]:
    row = conn.execute(
        sa.select(ledger_head.c.size, ledger_head.c.last_hash, ledger_head.c.range)
    ).one()
    root = CompactRange.restore(row.range).root().hex() if row.size else ""
    return (
        Head(row.size, row.last_hash, root),
        _latest(conn, None),
        _latest(conn, EntryKind.CHECKPOINT),
    )


def _latest(conn: Connection, kind: EntryKind | None) -> list[Step]:
    query = sa.select(entries.c.canonical, entries.c.hash).order_by(entries.c.seq.desc())
    if kind is not None:
        query = query.where(entries.c.kind == kind)
    found = conn.execute(query.limit(_SHOWN))
    return [step(ledger_entries.entry(row.canonical, row.hash)) for row in found]
