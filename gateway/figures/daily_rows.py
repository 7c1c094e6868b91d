"""The figures of a day as one plain table, one figure a row, for CSV, JSON Lines and Parquet."""

from collections.abc import Iterator
from datetime import date

from gateway.figures.daily import DayReport
from gateway.figures.wilson import Rate
from gateway.ledger.export import Column, ColumnKind, Row

DAILY_COLUMNS = (
    Column("day", ColumnKind.TEXT),
    Column("of", ColumnKind.TEXT),
    Column("name", ColumnKind.TEXT),
    Column("figure", ColumnKind.TEXT),
    Column("value", ColumnKind.REAL),
    Column("unit", ColumnKind.TEXT),
    Column("lower", ColumnKind.REAL),
    Column("upper", ColumnKind.REAL),
)
"""`of` is site, station, bag or kind, `name` which one. A value that is not known is empty;
`lower` and `upper` are the 95 % Wilson interval of a share."""


def daily_rows(report: DayReport) -> Iterator[Row]:
    """Give the report's figures as rows of `DAILY_COLUMNS`."""
    yield from _site(report)
    for one in report.stations:
        where = report.day, "station", one.station
        yield _plain(*where, "bags", one.bags, "bags")
        yield _plain(*where, "void", one.void, "bags")
        yield _plain(*where, "changeovers", one.changeovers, "changes")
        yield _plain(*where, "refills", one.refills, "refills")
        yield _plain(*where, "stops", one.stops, "stops")
        yield _plain(*where, "downtime", one.down_s, "s")
        yield from _shares(*where, "mislabels", one.labels)
        yield from _shares(*where, "first_pass", one.first_pass)
    for size in report.sizes:
        name = f"{size.bag} {size.width_mm:g}x{size.length_mm:g}"
        yield _plain(report.day, "bag", name, "bags", size.count, "bags")
        yield _plain(report.day, "bag", name, "film", size.film_g, "g")
    for kind in report.kinds:
        yield _plain(report.day, "kind", kind.kind, "labels", kind.count, "labels")


def _site(report: DayReport) -> Iterator[Row]:
    where = report.day, "site", report.site
    yield _plain(*where, "orders", report.orders, "orders")
    yield _plain(*where, "pieces", report.pieces, "pieces")
    yield _plain(*where, "bags", report.bags, "bags")
    yield _plain(*where, "film", report.film.used_g, "g")
    yield _plain(*where, "film_of_void_bags", report.film.of_it_void_g, "g")
    yield _plain(*where, "film_saved", report.film.saved_g, "g")
    yield _plain(*where, "mean_void_share", report.mean_void_share, "share")
    yield from _shares(*where, "manual", report.manual)
    yield from _shares(*where, "void", report.void)
    yield from _shares(*where, "mislabels", report.mislabels)
    yield from _shares(*where, "first_pass", report.first_pass)
    yield from _shares(*where, "in_doubt", report.in_doubt)
    yield _plain(*where, "settling_median", report.settling.median_s, "s")
    yield _plain(*where, "settling_p90", report.settling.p90_s, "s")
    yield _plain(*where, "open_cases", len(report.open_cases), "cases")


def _plain(day: date, of: str, name: str, figure: str, value: float | None, unit: str) -> Row:
    known = float(value) if value is not None else None
    return (day.isoformat(), of, name, figure, known, unit, None, None)


def _shares(day: date, of: str, name: str, figure: str, rate: Rate) -> Iterator[Row]:
    where = day, of, name
    yield _plain(*where, f"{figure}_count", rate.events, "count")
    yield _plain(*where, f"{figure}_of", rate.trials, "count")
    sure = rate.interval()
    text = day.isoformat()
    yield (text, of, name, f"{figure}_share", rate.share, "share", sure.lower, sure.upper)
