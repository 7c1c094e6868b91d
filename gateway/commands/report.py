"""`bagrelay report`: what a day was."""

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from gateway.commands.output import Out, fail, put
from gateway.commands.store_access import DEFAULT_SITE, SiteFile, reading, site_of


class ReportFormat(StrEnum):
    """How a daily report is written."""

    HTML = "html"
    PDF = "pdf"
    CSV = "csv"
    JSON_LINES = "jsonl"
    PARQUET = "parquet"


def report(
    site_file: SiteFile = DEFAULT_SITE,
    day: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], help="A day at the site; today where left out."),
    ] = None,
    form: Annotated[ReportFormat, typer.Option("--format", help="How it is written.")] = (
        ReportFormat.HTML
    ),
    out: Out = None,
) -> None:
    """Write the report of a day: volumes, bags, film, mislabels, downtime, open cases.

    It counts stations, bags and kinds of case, never people. The gateway may be running.
    Exit code 2: the store or the library for Parquet is missing.
    """
    from gateway.clock import SystemClock
    from gateway.errors import Invalid
    from gateway.ledger.day import day_facts
    from gateway.ledger.day_paper import written
    from gateway.ledger.export import ParquetMissing

    site = site_of(site_file)
    zone = ZoneInfo(site.time_zone)
    now = SystemClock().now()
    asked: date = day.date() if day is not None else now.astimezone(zone).date()
    try:
        with reading(site) as conn:
            facts = day_facts(conn, site, asked, zone, now)
    except Invalid as wrong:
        fail(wrong.detail)
    try:
        content, _ = written(facts, site, form.value)
    except ParquetMissing as missing:
        fail(str(missing))
    put(content, out)
