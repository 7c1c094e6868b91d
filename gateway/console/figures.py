"""Figures of a day: how well it was labelled, by station and kind. Nobody is ranked."""

from dataclasses import dataclass
from datetime import date, timedelta

from fastapi import APIRouter, Request, Response

from gateway.console.frame import packed
from gateway.console.parts import Parts
from gateway.errors import Invalid
from gateway.figures import words
from gateway.figures.chart_picture import ChartPicture, chart_picture
from gateway.figures.control_chart import PChart
from gateway.figures.daily import DayReport, day_report
from gateway.figures.daily_page import to_html
from gateway.figures.daily_pdf import to_pdf
from gateway.figures.wilson import Rate
from gateway.ledger.day import HISTORY_DAYS, LONGEST_HISTORY_DAYS, day_facts

WIDTH, HEIGHT = 640.0, 150.0
SPANS = (7, 30, 90)
"""Days before the day for which control charts are offered; any others by their first day."""
_BARS_FROM, _BARS_WIDE = 140.0, 490.0


@dataclass(frozen=True, slots=True)
class Chart:
    """A control chart and where its lines lie."""

    station: str
    chart: PChart
    drawn: ChartPicture


@dataclass(frozen=True, slots=True)
class RateBar:
    """A rate with its Wilson interval, laid out; the name is empty for the whole site."""

    name: str
    rate: Rate
    low: float
    high: float
    at: float


def rate_bars(report: DayReport) -> tuple[list[RateBar], float]:
    """The mislabel rate of the site and of each station on one scale, and where the scale ends."""
    named = [("", report.mislabels), *((one.station, one.labels) for one in report.stations)]
    checked = [(name, rate) for name, rate in named if rate.trials]
    top = max((rate.interval().upper for _, rate in checked), default=1.0) or 1.0

    def x(share: float) -> float:
        return round(_BARS_FROM + _BARS_WIDE * share / top, 1)

    bars = [
        RateBar(name, rate, x(rate.interval().lower), x(rate.interval().upper), x(rate.share or 0))
        for name, rate in checked
    ]
    return bars, 1e6 * top


def span_of(day: date, since: date | None) -> int:
    """Days of the control charts before a day. Raises `Invalid` for none, or for too many."""
    if since is None:
        return HISTORY_DAYS
    days = (day - since).days
    if not 1 <= days <= LONGEST_HISTORY_DAYS:
        raise Invalid(
            f"Control charts begin 1 to {LONGEST_HISTORY_DAYS} days before {day}, not on {since}."
        )
    return days


def routes(parts: Parts) -> APIRouter:
    """The page and the paper of a day."""
    router = APIRouter(include_in_schema=False, route_class=parts.frame.route_class())

    async def report_of(day: date, since: date | None) -> DayReport:
        zone = parts.frame.zone
        now = parts.clock.now()
        days = span_of(day, since)
        facts = await parts.store.read(
            lambda conn: day_facts(conn, parts.site, day, zone, now, history_days=days)
        )
        return day_report(facts, site=parts.site.name, zone=zone)

    @router.get("/figures")
    async def figures(
        request: Request, day: date | None = None, since: date | None = None
    ) -> Response:
        day = day or parts.frame.today()
        report = await report_of(day, since)
        rates, rates_top = rate_bars(report)
        days = span_of(day, since)
        return await parts.frame.page(
            request,
            "figures.html",
            report=report,
            rates=rates,
            rates_top=rates_top,
            day=day,
            before=day - timedelta(days=1),
            after=day + timedelta(days=1) if day < parts.frame.today() else None,
            charts=[
                Chart(station, chart, chart_picture(chart, WIDTH, HEIGHT))
                for station, chart in report.charts
            ],
            since=day - timedelta(days=days),
            spans=[(span, day - timedelta(days=span), span == days) for span in SPANS],
            most_before=day - timedelta(days=LONGEST_HISTORY_DAYS),
            width=WIDTH,
            height=HEIGHT,
            say=words,
        )

    @router.get("/figures/{day}.pdf")
    async def paper(day: date, since: date | None = None) -> Response:
        report = await report_of(day, since)
        name = f'attachment; filename="bagrelay-{day.isoformat()}.pdf"'
        return Response(
            to_pdf(report), media_type="application/pdf", headers={"Content-Disposition": name}
        )

    @router.get("/figures/{day}.html")
    async def kept(request: Request, day: date, since: date | None = None) -> Response:
        """The day as a page of its own, to be kept or sent."""
        html = to_html(await report_of(day, since))
        answer = packed(request, html.encode(), "text/html; charset=utf-8")
        answer.headers["Content-Disposition"] = (
            f'attachment; filename="bagrelay-{day.isoformat()}.html"'
        )
        return answer

    return router
