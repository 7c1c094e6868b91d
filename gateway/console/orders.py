"""The story of one order: time line, layout in the bag, the label's picture, the reasons."""

from base64 import b64encode
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy.engine import Connection

from gateway.cases import rows as case_rows
from gateway.console.frame import HEADERS
from gateway.console.parts import Parts
from gateway.console.stations import Goods, goods_of
from gateway.console.words import told
from gateway.errors import NotFound
from gateway.fit.picture import draw as draw_parcel
from gateway.label.errors import LabelError
from gateway.label.supplied import draw as draw_label
from gateway.ledger.http import summaries
from gateway.ledger.trace import order_story
from gateway.store import jobs, orders
from schemas.cases import Case
from schemas.decision import Outcome, Parcel
from schemas.job import JobState, LabelJob
from schemas.ledger import EntryKind, LedgerEntry
from schemas.order import LabelLanguage
from schemas.station import Printer
from schemas.views import OrderStory, ParcelView

_SHOWN = 100
_GOOD = frozenset({EntryKind.SCAN_VERIFIED, EntryKind.STATION_RELEASED, EntryKind.ROW_REPAIRED})
_BAD = frozenset(
    {
        EntryKind.SCAN_REFUSED,
        EntryKind.STATION_HELD,
        EntryKind.ORDER_MANUAL,
        EntryKind.SIZE_DISPUTED,
        EntryKind.CASE_OPENED,
    }
)


@dataclass(frozen=True, slots=True)
class Step:
    """One line of a time line."""

    entry: LedgerEntry
    words: str
    tone: str


@dataclass(frozen=True, slots=True)
class ShownParcel:
    """A parcel with its drawing."""

    view: ParcelView
    parcel: Parcel
    goods: list[Goods]
    drawing: str

    @property
    def latest(self) -> LabelJob | None:
        """The job that counts now: a later one replaces those before it."""
        return self.view.jobs[-1] if self.view.jobs else None


@dataclass(frozen=True, slots=True)
class ShownLabel:
    """A label's bytes as text, where they are kept."""

    language: str
    text: str | None


def step(entry: LedgerEntry) -> Step:
    """An entry as a line of a time line."""
    tone = "good" if entry.kind in _GOOD else "bad" if entry.kind in _BAD else ""
    return Step(entry, told(entry), tone)


def routes(parts: Parts) -> APIRouter:
    """Orders: the latest, one in full, the picture of a label."""
    router = APIRouter(include_in_schema=False, route_class=parts.frame.route_class())

    @router.get("/orders")
    async def latest(request: Request, show: str = "all") -> Response:
        outcome = Outcome.MANUAL if show == "manual" else None
        found = await parts.store.read(lambda conn: summaries(conn, outcome=outcome, limit=_SHOWN))
        return await parts.frame.page(request, "orders.html", found=found, show=show)

    @router.get("/orders/{order_id:path}")
    async def one(request: Request, order_id: str) -> Response:
        story, parcels, cases, labels = await parts.store.read(lambda c: _story(c, order_id))
        return await parts.frame.page(
            request,
            "order.html",
            story=story,
            parcels=parcels,
            cases=cases,
            labels=labels,
            steps=[step(entry) for entry in story.entries],
            stations=list(parts.stations.values()),
            void_allowed=_VOID_ALLOWED,
            movable=_movable(parcels),
        )

    @router.get("/label-pictures/{job_id}.png")
    async def picture(job_id: str) -> Response:
        """A label as its printer prints it, drawn from the bytes that were sent."""
        png = await parts.store.read(lambda conn: _picture(conn, parts, job_id))
        return Response(png, media_type="image/png", headers=HEADERS)

    return router


def _movable(parcels: list[ShownParcel]) -> bool:
    """Whether labels wait, and none that still counts was printed or is being sent."""
    counts = {job.state for shown in parcels for job in shown.view.jobs} - _AT_THEIR_END
    return bool(counts) and counts <= _WAITS


_AT_THEIR_END = {JobState.VOID, JobState.CANCELLED}
_WAITS = {JobState.QUEUED, JobState.STALE, JobState.REFUSED}
_VOID_ALLOWED = ("sent", "printed", "in_doubt", "verified", "closed")


def _story(
    conn: Connection, order_id: str
) -> tuple[OrderStory, list[ShownParcel], list[Case], dict[str, ShownLabel]]:
    story = order_story(conn, order_id)
    parcels, labels = [], {}
    for view in story.parcels:
        row = orders.find_parcel(conn, view.parcel_id)
        assert row is not None
        goods = goods_of(conn, view.parcel_id)
        drawing = draw_parcel(row.parcel, view.parcel_id)
        parcels.append(ShownParcel(view, row.parcel, goods, drawing))
        for job in view.jobs:
            labels[job.job_id] = _label(conn, job)
    return story, parcels, case_rows.of_order(conn, order_id), labels


def _label(conn: Connection, job: LabelJob) -> ShownLabel:
    found = jobs.label_of(conn, job.label_sha256)
    language, content = found or ("", None)
    if content is None:
        return ShownLabel(language, None)
    try:
        return ShownLabel(language, content.decode())
    except UnicodeDecodeError:
        return ShownLabel(language, b64encode(content).decode())


def _picture(conn: Connection, parts: Parts, job_id: str) -> bytes:
    job = jobs.find(conn, job_id)
    label = jobs.label_of(conn, job.label_sha256) if job else None
    language, content = label or ("", None)
    if job is None or content is None:
        raise NotFound(f"No label of job {job_id!r} is kept.")
    station = parts.stations.get(job.station)
    printer = station.printer if station else Printer()
    try:
        return draw_label(content, LabelLanguage(language), printer.dots_per_mm, printer=printer)
    except LabelError as error:
        raise NotFound(f"The label of job {job_id} can't be drawn: {error}") from error
