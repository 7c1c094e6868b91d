"""A daily report written out: as a page, a paper or a table."""

from io import BytesIO
from zoneinfo import ZoneInfo

from gateway.figures.daily import day_report
from gateway.figures.daily_page import to_html
from gateway.figures.daily_pdf import to_pdf
from gateway.figures.daily_rows import DAILY_COLUMNS, daily_rows
from gateway.figures.day_facts import DayFacts
from gateway.ledger.export import MEDIA_TYPE, Format, write
from schemas.site import Site


def written(facts: DayFacts, site: Site, form: str) -> tuple[bytes, str]:
    """The report and its media type; `form` is html, pdf, or one of the table forms."""
    report = day_report(facts, site=site.name, zone=ZoneInfo(site.time_zone))
    if form == "html":
        return to_html(report).encode(), "text/html; charset=utf-8"
    if form == "pdf":
        return to_pdf(report), "application/pdf"
    table = BytesIO()
    write(Format(form), DAILY_COLUMNS, daily_rows(report), table)
    return table.getvalue(), MEDIA_TYPE[Format(form)]
