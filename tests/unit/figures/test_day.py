"""The figures of a day: what the ledger says, no more and nobody's name."""

import csv
import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from io import BytesIO

import pytest
from days import (
    DAY,
    END,
    FORMER,
    LARGE,
    SMALL,
    START,
    ZONE,
    Book,
    busy_day,
    busy_facts,
)
from hypothesis import given
from hypothesis import strategies as st
from pypdf import PdfReader

from gateway.figures.daily import DayReport, day_report, down_seconds
from gateway.figures.daily_page import to_html
from gateway.figures.daily_pdf import to_pdf
from gateway.figures.daily_rows import DAILY_COLUMNS, daily_rows
from gateway.figures.day_facts import DayFacts, FormerBag, OpenCase, Stop, facts_of_day
from gateway.figures.label_checks import Shift, label_checks, samples_by_shift
from gateway.figures.pareto import ParetoBar
from gateway.figures.settling import SettleTimes
from gateway.figures.wilson import Rate
from gateway.ledger.export import Format, write
from schemas.ledger import EntryKind


def facts_of(
    book: Book, *, before: Book | None = None, former: FormerBag | None = None
) -> DayFacts:
    earlier = before.entries if before else ()
    return facts_of_day(book.entries, DAY, START, END, earlier=earlier, former=former)


def report_of(book: Book, **more: FormerBag) -> DayReport:
    return day_report(facts_of(book, **more), site="demo room", zone=ZONE)


def test_busy_day_has_the_figures_that_were_put_into_it() -> None:
    """Counted by hand in the fixture: volumes, kinds, doubts, changeovers, downtime."""
    report = day_report(busy_facts(), site="demo room", zone=ZONE)
    assert (240, 480, 240) == (report.orders, report.pieces, report.bags)
    assert (Rate(1, 240), Rate(1, 240)) == (report.manual, report.void)
    assert (Rate(5, 240), Rate(232, 240)) == (report.mislabels, report.first_pass)
    assert Rate(1, 241) == report.in_doubt
    assert ParetoBar("shifted", 4, 0.5, 0.5) == report.kinds[0]
    assert [("po-200x300", 160), ("po-300x400", 80)] == [(s.bag, s.count) for s in report.sizes]
    assert [(1, 1, 1, 1800.0), (1, 0, 1, 900.0)] == [
        (s.changeovers, s.refills, s.stops, s.down_s) for s in report.stations
    ]
    assert 0.25 == report.mean_void_share
    assert ["aborted", "shifted"] == [s.longest_cause for s in report.stations]
    assert SettleTimes(4, 1, 1500.0, None) == report.settling
    assert [("bench-1", []), ("bench-2", ["2026-11-25 early"])] == [
        (name, [point.label for point in chart.out_of_control]) for name, chart in report.charts
    ]


def test_each_label_is_one_check_however_often_it_is_tried() -> None:
    """Tries of one job are one check; it is a mislabel when any try proved a wrong label."""
    book = Book()
    for verdict in ("no_read", "shifted", "match", "repeat"):
        book.read(1, "b", "j1", verdict)
    (check,) = label_checks(book.entries)
    assert ("no_read", "shifted", True, False) == (
        check.first,
        check.wrong,
        check.mislabel,
        check.first_pass,
    )


@pytest.mark.parametrize(
    ("verdict", "mislabel"),
    [
        ("match", False),
        ("no_read", False),
        ("unknown_code", False),
        ("shifted", True),
        ("other_order", True),
        ("other_station", True),
        ("old_label", True),
    ],
)
def test_only_a_proved_wrong_label_is_a_mislabel(verdict: str, mislabel: bool) -> None:
    """What could not be read, or is not ours, is told by kind and not as a mislabel."""
    book = Book()
    book.read(1, "b", "j1", verdict)
    assert [mislabel] == [check.mislabel for check in label_checks(book.entries)]


def test_scans_that_check_nothing_are_no_checks() -> None:
    """A second scan of a verified bag, a scan that nobody waited for, an unknown verdict."""
    book = Book()
    for verdict in ("repeat", "nothing_expected", "of a later release"):
        book.read(1, "b", "j1", verdict)
    assert () == label_checks(book.entries)


def test_film_is_compared_only_where_the_former_bag_would_have_held_the_goods() -> None:
    """Void bags and goods beyond the former bag stay out of the saving, and are told."""
    book = Book()
    book.bag(1, "b", "j1", bag=SMALL)
    book.bag(2, "b", "j2", bag=LARGE)
    book.bag(3, "b", "j3", bag=("huge", 500, 700, 40.0))
    book.bag(4, "b", "j4", bag=SMALL)
    book.moved(5, "b", "j4", "sent", "void")
    film = report_of(book, former=FORMER).film
    assert (64.0, 6.0) == (film.used_g, film.of_it_void_g)
    assert (2, 1, 18.0, 40.0) == (
        film.compared,
        film.beyond_former,
        film.compared_g,
        film.former_g,
    )
    assert (22.0, 0.55) == (film.saved_g, film.saved_share)


def test_more_film_than_before_is_a_negative_saving() -> None:
    """A day that used more film says so rather than nothing."""
    book = Book()
    book.bag(1, "b", "j1", bag=LARGE)
    film = report_of(book, former=FormerBag("tight", 300, 400, 10.0)).film
    assert (-2.0, -0.2) == (film.saved_g, round(film.saved_share or 0, 9))


def test_bag_counts_on_the_day_on_which_its_label_printed() -> None:
    """A job made before midnight is this day's bag; one that never printed is nobody's."""
    before, book = Book(), Book()
    before.created(-1, "b", "j1")
    book.moved(1, "b", "j1", "sending", "printed")
    book.moved(1.1, "b", "j1", "printed", "verified")
    book.created(2, "b", "j2")
    book.moved(3, "b", "j2", "queued", "cancelled")
    assert ["j1"] == [bag.job_id for bag in facts_of(book, before=before).bags]


def test_only_another_bag_is_a_changeover() -> None:
    """The same bag in the same place is a refill; what was loaded yesterday is remembered."""
    before, book = Book(), Book()
    before.add(-3, EntryKind.SUPPLY_CHANGED, "b", slot=1, bag="small")
    for slot, bag in ((1, "small"), (1, "large"), (1, "large"), (2, "small"), (1, "small")):
        book.add(1, EntryKind.SUPPLY_CHANGED, "b", slot=slot, bag=bag)
    facts = facts_of(book, before=before)
    assert ({"b": 3}, {"b": 2}) == (facts.changeovers, facts.refills)


def test_station_that_was_down_before_the_day_is_down_from_its_start() -> None:
    """A hold or fault from yesterday counts from midnight; one that lasts, to the end."""
    before, book = Book(), Book()
    before.add(-5, EntryKind.STATION_STATE, "a", state="offline")
    before.add(-5, EntryKind.STATION_HELD, "b", hold="shifted")
    before.add(-4, EntryKind.STATION_RELEASED, "b", hold="shifted")
    book.add(2, EntryKind.STATION_STATE, "a", state="execute")
    book.add(20, EntryKind.STATION_HELD, "b", hold="no_read")
    report = day_report(facts_of(book, before=before), site="s", zone=ZONE)
    assert [("a", 7200.0), ("b", 14400.0)] == [(s.station, s.down_s) for s in report.stations]


def test_lane_that_stands_is_downtime_until_it_goes_on() -> None:
    """Faulted, then waiting for a person, then held: one stop after the other, none twice."""
    before, book = Book(), Book()
    before.add(-2, EntryKind.STATION_MOVED, "a", **{"from": "ready", "to": "faulted"})
    book.add(1, EntryKind.STATION_MOVED, "a", **{"from": "faulted", "to": "faulted"})
    book.add(2, EntryKind.STATION_MOVED, "a", **{"from": "faulted", "to": "needs_person"})
    book.add(3, EntryKind.STATION_HELD, "a", hold="by_hand")
    book.add(4, EntryKind.STATION_RELEASED, "a", **{"from": "held", "to": "in_doubt"})
    book.add(5, EntryKind.STATION_MOVED, "a", **{"from": "in_doubt", "to": "ready"})
    book.add(9, EntryKind.STATION_MOVED, "a", **{"from": "ready", "to": "faulted"})
    book.add(9.5, EntryKind.STATION_MOVED, "a", **{"from": "faulted", "to": "ready"})
    facts = facts_of(book, before=before)
    causes = ["faulted", "needs_person", "by_hand", "in_doubt", "faulted"]
    assert causes == [stop.cause for stop in facts.stops]
    (station,) = day_report(facts, site="s", zone=ZONE).stations
    assert 5.5 * 3600 == station.down_s


def test_station_is_told_whatever_it_did() -> None:
    """Printing, being scanned at, standing, being loaded: any of it puts a station in the list."""
    book = Book()
    book.bag(1, "printed", "j1")
    book.read(2, "scanned", "j2", "match")
    book.add(3, EntryKind.STATION_HELD, "stood", hold="no_read")
    book.add(4, EntryKind.SUPPLY_CHANGED, "loaded", slot=1, bag="x")
    names = [one.station for one in report_of(book).stations]
    assert ["loaded", "printed", "scanned", "stood"] == names


def test_stopped_and_suspended_are_not_downtime() -> None:
    """The end of a shift and a starved station are not faults of the station."""
    book = Book()
    for at, state in enumerate(("stopped", "suspended", "idle", "execute")):
        book.add(at, EntryKind.STATION_STATE, "b", state=state)
    assert () == facts_of(book).stops


HOURS = st.floats(-30, 40)


@given(st.lists(st.tuples(HOURS, HOURS | st.none())))
def test_downtime_is_the_time_covered(spans: list[tuple[float, float | None]]) -> None:
    """Overlaps count once, the day bounds it, and more stops never make less of it."""
    stops = [
        Stop(
            "b",
            START + timedelta(hours=begin),
            None if end is None else START + timedelta(hours=max(begin, end)),
            "x",
        )
        for begin, end in spans
    ]
    down = down_seconds(stops, START, END)
    minutes = [START + timedelta(minutes=minute) for minute in range(0, 24 * 60, 5)]
    covered = sum(any(s.start <= at < (s.end or END) for s in stops) for at in minutes)
    assert 0 <= down <= 86_400
    assert abs(down - 300 * covered) <= 600 * len(stops)
    assert down_seconds(stops[1:], START, END) <= down + 1e-6


def test_night_shift_belongs_to_the_day_on_which_it_began() -> None:
    """Local hours decide, over midnight and over the change of clocks."""
    book = Book()
    for at in (5.9, 6, 13.99, 14, 22, 23.99):
        book.read(at, "b", f"j{at}", "match")
    labels = [sample.label for sample in samples_by_shift(label_checks(book.entries), ZONE)["b"]]
    assert ["2026-11-24 night", "2026-11-25 early", "2026-11-25 late", "2026-11-25 night"] == labels
    with pytest.raises(ValueError, match="no shift"):
        samples_by_shift([], ZONE, ())


def test_sites_own_shifts_are_used() -> None:
    """One shift a day that begins at noon."""
    book = Book()
    book.read(11, "b", "j1", "match")
    book.read(13, "b", "j2", "shifted")
    (first, second) = samples_by_shift(label_checks(book.entries), ZONE, [Shift("day", 12)])["b"]
    assert ("2026-11-24 day", 1, 0) == (first.label, first.checked, first.bad)
    assert ("2026-11-25 day", 1, 1) == (second.label, second.checked, second.bad)


def test_entries_of_other_days_are_left_out() -> None:
    """The bounds are from the start, inclusive, to the end, exclusive."""
    book = Book()
    for at in (-0.01, 0, 23.99, 24):
        book.add(at, EntryKind.ORDER_RECEIVED, "b", pieces=1)
    assert 2 == facts_of(book).orders


def test_empty_day_is_reported_without_inventing_figures() -> None:
    """Nothing happened: no rate, no saving, no chart, and still a page and a paper."""
    report = report_of(Book())
    assert (None, None, ()) == (report.mislabels.share, report.film.saved_g, report.charts)
    text = to_html(report)
    for words in ("nothing checked", "No bag was printed", "No station worked", "no cases"):
        assert words in text
    assert "No bag was printed" in PdfReader(BytesIO(to_pdf(report))).pages[0].extract_text()


class Reader(HTMLParser):
    """Collects tags, texts and what would be fetched."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.texts: list[str] = []
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.fetched += [value or "" for name, value in attrs if name in {"src", "href"}]

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def test_page_is_whole_in_itself_and_says_the_figures() -> None:
    """No script, nothing fetched; the figures in words with their intervals."""
    page = to_html(day_report(busy_facts(), site="demo room", zone=ZONE))
    reader = Reader()
    reader.feed(page)
    text = " ".join(" ".join(reader.texts).split())
    assert [] == reader.fetched
    assert "script" not in reader.tags
    for words in (
        "5 in 240: 20 833 per million (8 931 to 47 833 at 95 %)",
        "2.87 kg saved",
        "half within 25 min; 4 settled, 1 open (counted as longest)",
        "2026-11-25 early: 4 in 80, outside its limits.",
        "C-17",
    ):
        assert words in text


def test_texts_of_the_data_cannot_become_markup() -> None:
    """Names from outside are escaped wherever they appear."""
    evil = "<img src=x onerror=alert(1)>"
    facts = busy_facts()
    bags = (replace(facts.bags[0], bag=evil, station=evil),)
    checks = (replace(facts.checks[7], station=evil),)
    cases = replace(facts.cases, still_open=(OpenCase(evil, evil, evil, START),))
    report = day_report(
        replace(facts, bags=bags, checks=checks, cases=cases, changeovers={evil: 1}),
        site=evil,
        zone=ZONE,
    )
    page, reader = to_html(report), Reader()
    reader.feed(page)
    assert "img" not in reader.tags
    assert evil in "".join(reader.texts)
    assert evil in "".join(p.extract_text() for p in PdfReader(BytesIO(to_pdf(report))).pages)


def test_paper_says_what_the_page_says() -> None:
    """The PDF has the same figures, and the same report gives the same bytes."""
    report = day_report(busy_facts(), site="demo room", zone=ZONE)
    pages = PdfReader(BytesIO(to_pdf(report))).pages
    text = " ".join(" ".join(page.extract_text() for page in pages).split())
    for words in (
        "20\u202f833 per million",
        "2.87 kg saved",
        "aborted",
        "4 in 80, outside",
        "C-17",
    ):
        assert words.replace("\u202f", " ") in text.replace("\u202f", " ")
    assert to_pdf(report) == to_pdf(report)


def test_rows_hold_every_figure_once_and_export() -> None:
    """One figure a row; what is not known is empty, not nought."""
    report = day_report(busy_facts(), site="demo room", zone=ZONE)
    rows = list(daily_rows(report))
    names = [tuple(row[:4]) for row in rows]
    assert len(set(names)) == len(names)
    found = {(row[1], row[2], row[3]): row[4] for row in rows}
    assert 5.0 == found["site", "demo room", "mislabels_count"]
    assert None is found["site", "demo room", "settling_p90"]
    assert 1800.0 == found["station", "bench-1", "downtime"]
    assert 160.0 == found["bag", "po-200x300 200x300", "bags"]
    out = BytesIO()
    assert len(rows) == write(Format.CSV, DAILY_COLUMNS, rows, out)
    read = list(csv.DictReader(io.StringIO(out.getvalue().decode(), newline="")))
    assert "5.0" == next(r["value"] for r in read if r["figure"] == "mislabels_count")


def test_no_person_is_in_any_figure() -> None:
    """Who scanned or released is nowhere in page, paper or table."""
    entries = [entry.model_copy(update={"actor": "Jo Bloggs"}) for entry in busy_day()]
    facts = facts_of_day(entries, DAY, START, END)
    report = day_report(facts, site="demo room", zone=ZONE)
    assert "Bloggs" not in to_html(report)
    assert "Bloggs" not in str(list(daily_rows(report)))
    assert "Bloggs" not in str(report)


def test_clock_change_makes_a_day_of_25_hours() -> None:
    """The caller's bounds are the day: a night with an hour more has an hour more of downtime."""
    start = datetime(2026, 10, 24, 22, tzinfo=UTC)
    end = datetime(2026, 10, 25, 23, tzinfo=UTC)
    assert 25 * 3600 == down_seconds([Stop("b", start - timedelta(1), None, "x")], start, end)
