"""The facts of one day of a site, read from its store."""

from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import orjson
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.cases import rows as case_rows
from gateway.clock import instant_text
from gateway.errors import Invalid
from gateway.figures.control_chart import Sample
from gateway.figures.day_facts import DayFacts, facts_of_day
from gateway.figures.former import former_bag
from gateway.figures.label_checks import label_checks, samples_by_shift
from gateway.ledger.entries import entry
from gateway.store.tables import entries
from schemas.ledger import EntryKind, LedgerEntry
from schemas.site import Site

HISTORY_DAYS = 7
"""Days before the day whose shifts stand on the control charts unless somebody asks for others:
common practice, no source."""
LONGEST_HISTORY_DAYS = 366
YEARS = range(2000, 2201)
"""Days reckoned in any zone, with their history, stay far from the ends of the calendar."""

_SUPPLY_CHANGES_BACK = 400
_SCANS = (EntryKind.SCAN_VERIFIED, EntryKind.SCAN_REFUSED)
_LASTING = (
    EntryKind.STATION_STATE,
    EntryKind.STATION_HELD,
    EntryKind.STATION_RELEASED,
    EntryKind.STATION_MOVED,
)


def day_facts(
    conn: Connection,
    site: Site,
    day: date,
    zone: ZoneInfo,
    now: datetime,
    *,
    history_days: int = HISTORY_DAYS,
) -> DayFacts:
    """Read a day, from midnight to midnight at the site; an hour more or less where clocks change.

    A day that still runs ends `now`: nobody was down in the hours to come. What it costs grows
    with the day's entries and with the scans of the `history_days` before it. Raises `Invalid`
    for a day on which nobody can have packed.
    """
    if day.year not in YEARS:
        raise Invalid(f"There is no report of {day}: name a day of {YEARS[0]} to {YEARS[-1]}.")
    start, end = bounds(day, zone)
    end = max(start, min(end, now))
    within = _between(conn, start, end)
    return facts_of_day(
        within,
        day,
        start,
        end,
        earlier=_earlier(conn, start, end),
        cases=case_rows.settling(conn, start, end),
        former=former_bag(site),
        history=_history(conn, start, zone, history_days),
    )


def bounds(day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """The instants at which a day begins and ends at the site."""
    first = datetime.combine(day, datetime.min.time(), zone)
    after = datetime.combine(day + timedelta(days=1), datetime.min.time(), zone)
    return first, after


def _between(conn: Connection, start: datetime, end: datetime) -> list[LedgerEntry]:
    return _entries(
        conn,
        sa.and_(entries.c.time >= instant_text(start), entries.c.time < instant_text(end)),
    )


def _earlier(conn: Connection, start: datetime, end: datetime) -> list[LedgerEntry]:
    """Entries that the day hangs on: who made its jobs, how its stations stood, what was loaded."""
    begin, finish = instant_text(start), instant_text(end)
    moved = sa.select(entries.c.job_id).where(
        entries.c.kind == EntryKind.JOB_MOVED,
        entries.c.time >= begin,
        entries.c.time < finish,
    )
    created = _entries(
        conn,
        sa.and_(
            entries.c.job_id.in_(moved),
            entries.c.kind == EntryKind.JOB_CREATED,
            entries.c.time < begin,
        ),
    )
    last = (
        sa.select(sa.func.max(entries.c.seq))
        .where(entries.c.kind.in_(_LASTING), entries.c.time < begin)
        .group_by(entries.c.station, entries.c.kind)
    )
    supplies = (
        sa.select(entries.c.seq)
        .where(entries.c.kind == EntryKind.SUPPLY_CHANGED, entries.c.time < begin)
        .order_by(entries.c.seq.desc())
        .limit(_SUPPLY_CHANGES_BACK)
    )
    stood = _entries(conn, sa.or_(entries.c.seq.in_(last), entries.c.seq.in_(supplies)))
    return sorted([*created, *stood], key=lambda one: one.seq)


def _history(
    conn: Connection, start: datetime, zone: ZoneInfo, days: int
) -> dict[str, tuple[Sample, ...]]:
    query = sa.select(entries).where(
        entries.c.kind.in_(_SCANS),
        entries.c.time >= instant_text(start - timedelta(days=days)),
        entries.c.time < instant_text(start),
    )
    scans = map(_unchecked, conn.execute(query.order_by(entries.c.seq)))
    return dict(samples_by_shift(label_checks(scans), zone))


def _unchecked(row: "sa.Row[Any]") -> LedgerEntry:
    """An entry without pydantic's checks, which would be most of the time for a quarter's scans."""
    told = orjson.loads(row.canonical)
    told["time"], told["kind"] = datetime.fromisoformat(told["time"]), EntryKind(told["kind"])
    return LedgerEntry.model_construct(**told)


def _entries(conn: Connection, condition: "sa.ColumnElement[bool]") -> list[LedgerEntry]:
    found = conn.execute(
        sa.select(entries.c.canonical, entries.c.hash).where(condition).order_by(entries.c.seq)
    )
    return [entry(row.canonical, row.hash) for row in found]
