"""The evidence file of a parcel over HTTP, as JSON and as paper, blacked out on demand."""

from fastapi import APIRouter, Response
from sqlalchemy.engine import Connection

from gateway.clock import Clock
from gateway.errors import NotFound
from gateway.label.errors import LabelError
from gateway.ledger.evidence import Evidence, LabelMade, Parts, evidence, to_json
from gateway.ledger.evidence_pdf import to_pdf
from gateway.ledger.evidence_store import Prove, machines_of, whole_order
from gateway.ledger.keys import archive_dir
from gateway.ledger.label_pictures import LabelPictures, label_pictures
from gateway.ledger.stored_tree import StoredTree
from gateway.store import jobs, orders
from gateway.store.jobs import JobRow
from gateway.store.store import Store
from schemas.order import LabelLanguage
from schemas.site import Site
from schemas.station import Printer


def routes(site: Site, store: Store, clock: Clock, prove: Prove | None = None) -> APIRouter:
    """Downloads of evidence files."""
    router = APIRouter(tags=["orders"])

    async def file_of(parcel_id: str, black_out: bool) -> Evidence:
        parts = await store.read(lambda conn: parts_of(conn, site, parcel_id, prove))
        machines = await store.read(lambda conn: machines_of(conn, site))
        return evidence(parts, clock.now(), black_out=black_out, machines=machines)

    @router.get("/v1/parcels/{parcel_id}/evidence.json", response_model=Evidence)
    async def as_json(parcel_id: str, black_out: bool = False) -> Response:
        """A parcel's evidence file: ordered, bag and why, label, attempts, scans, proof."""
        file = await file_of(parcel_id, black_out)
        return _download(to_json(file).encode(), "application/json", parcel_id, "json")

    @router.get("/v1/parcels/{parcel_id}/evidence.pdf", response_class=Response)
    async def as_pdf(parcel_id: str, black_out: bool = False) -> Response:
        """The same as paper."""
        file = await file_of(parcel_id, black_out)
        pdf = await store.read(lambda _conn: to_pdf(file))
        return _download(pdf, "application/pdf", parcel_id, "pdf")

    return router


def parts_of(conn: Connection, site: Site, parcel_id: str, prove: Prove | None = None) -> Parts:
    """All that a parcel's evidence file is made from. Raises `NotFound`."""
    row = orders.find_parcel(conn, parcel_id)
    order = orders.find(conn, row.order_id) if row else None
    if row is None or order is None:
        raise NotFound(f"There is no parcel {parcel_id!r}.")
    told = whole_order(conn, StoredTree(conn, archive_dir(site)), row.order_id)
    mine = jobs.of_parcel(conn, parcel_id)
    about = [one.seq for one in told if one.parcel_id in (None, parcel_id)]
    printers = {station.id: station.printer for station in site.station}
    return Parts(
        site=site.name,
        time_zone=site.time_zone,
        order_id=row.order_id,
        parcel_id=parcel_id,
        station=mine[-1].station if mine else order.station,
        order_content=order.content,
        parcel=row.parcel,
        turned_down=order.decision.turned_down,
        labels=tuple(_label(conn, job, printers.get(job.station, Printer())) for job in mine),
        entries=tuple(told),
        proof=prove(conn, about, f"parcel {parcel_id}") if prove else None,
    )


def _label(conn: Connection, job: JobRow, printer: Printer) -> LabelMade:
    language, content = jobs.label_of(conn, job.label_sha256) or ("", None)
    drawn = _drawn(content, language, job, printer) if content is not None else None
    return LabelMade(
        job_id=job.job_id,
        language=language,
        sha256=job.label_sha256,
        expected_scans=job.expected_scans,
        content=content,
        picture_png=drawn.whole if drawn else None,
        blacked_png=drawn.blacked if drawn else None,
    )


def _drawn(content: bytes, language: str, job: JobRow, printer: Printer) -> LabelPictures | None:
    """Pictures of the label; None where it can't be drawn: its bytes and digest still count."""
    try:
        return label_pictures(content, LabelLanguage(language), job.expected_scans, printer)
    except LabelError:
        return None


def _download(content: bytes, media_type: str, parcel_id: str, ending: str) -> Response:
    safe = "".join(c for c in parcel_id if c.isalnum() or c in "-_.")
    return Response(
        content,
        media_type=media_type,
        headers={
            "Content-Disposition": f'attachment; filename="evidence-{safe}.{ending}"',
            "Cache-Control": "no-store",
            "X-Content-Type-Options": "nosniff",
        },
    )
