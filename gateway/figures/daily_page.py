"""The report of a day as one HTML file that needs nothing else."""

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined

from gateway.figures import words
from gateway.figures.chart_picture import chart_picture
from gateway.figures.daily import DayReport


def to_html(report: DayReport) -> str:
    """Return the report as an HTML page. Every text of the data is escaped."""
    charts = [(name, chart, chart_picture(chart, 640, 150)) for name, chart in report.charts]
    template = _templates().get_template("daily.html")
    return template.render(report=report, words=words, charts=charts)


@cache
def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("gateway.figures", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
