"""The answer of a study as tables for a person, and its curve as CSV."""

import csv
import io
from collections.abc import Iterable

from rich.console import Console
from rich.table import Table

from schemas.study import CurvePoint, StationsAnswer, StudyAnswer, Totals

_WIDTH = 120
"""Columns where no person's terminal says how wide it is."""


def show(answer: StudyAnswer) -> None:
    """Print sentences, tables and cautions."""
    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=_WIDTH)
    for sentence in answer.sentences:
        console.print(sentence, markup=False)
    _titled(console, "What each number of sizes takes", _curve(answer.curve))
    for point in answer.curve:
        gain = f"; the further size: {point.gain}" if point.gain else ""
        console.print(f"  {point.sizes}: {', '.join(point.bags)}{gain}", markup=False)
    _titled(console, "Ways to stock the room", _forms(answer))
    for form in answer.forms:
        console.print(f"  {form.text}", markup=False)
    for stations in answer.stations:
        _titled(console, f"Stations, by {stations.by.value}", _stations(stations))
        console.print(f"  {stations.text}", markup=False)
    if answer.stock:
        _titled(console, f"Stock of the chosen {answer.look_at} sizes", _stock(answer))
        for one in answer.stock:
            console.print(f"  {one.text}", markup=False)
    console.print()
    for caution in answer.cautions:
        console.print(caution, markup=False)


def _titled(console: Console, title: str, table: Table) -> None:
    console.print(f"\n[bold]{title}[/bold]")
    console.print(table)


def _table(first: str, *others: str) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column(first, overflow="fold")
    for other in others:
        table.add_column(other, justify="right")
    return table


_TOTALS = ("by hand", "parcels", "film m2", "film kg", "bags cost", "in all", "empty", "changes")


def _totals(totals: Totals) -> list[str]:
    return [
        f"{totals.manual_share:.1%}",
        f"{totals.parcels}",
        f"{totals.film_m2:.1f}",
        f"{totals.film_kg:.1f}",
        _or_dash(totals.bag_cost, ".2f"),
        _or_dash(totals.cost, ".2f"),
        _or_dash(totals.void_share, ".0%"),
        _or_dash(totals.changeovers, "d"),
    ]


def _or_dash(value: float | None, form: str) -> str:
    return "-" if value is None else f"{value:{form}}"


def _curve(points: Iterable[CurvePoint]) -> Table:
    table = _table("sizes", *_TOTALS)
    for point in points:
        mark = "" if point.proved else " (not proved)"
        table.add_row(f"{point.sizes}{mark}", *_totals(point.totals))
    return table


def _forms(answer: StudyAnswer) -> Table:
    table = _table("", *_TOTALS, "film against today's")
    for form in answer.forms:
        share = form.against_today.film_share if form.against_today else None
        table.add_row(form.name, *_totals(form.totals), _or_dash(share, "+.1%"))
    return table


def _stations(stations: StationsAnswer) -> Table:
    table = _table("stations", "start in time", "mean wait s", "longest wait s", "busy")
    for tried in stations.tried:
        table.add_row(
            f"{tried.stations}",
            f"{tried.share_within:.1%}",
            _or_dash(tried.mean_wait_s, ".0f"),
            _or_dash(tried.longest_wait_s, ".0f"),
            f"{tried.busy_share:.0%}",
        )
    return table


def _stock(answer: StudyAnswer) -> Table:
    table = _table("bag", "share", "a day", "busiest day", "spoiled", "order", "metres", "packs")
    for one in answer.stock:
        table.add_row(
            one.bag,
            f"{one.share_of_parcels:.1%}",
            f"{one.pieces_per_day:.1f}",
            _or_dash(one.busiest_day_pieces, "d"),
            f"{one.spoiled}",
            f"{one.pieces_to_order}",
            _or_dash(one.metres_to_order, ".0f"),
            _or_dash(one.packs_to_order, "d"),
        )
    return table


_COLUMNS = (
    "sizes", "bags", "orders", "packed", "manual_share", "parcels", "film_m2", "film_kg",
    "bag_cost", "cost", "void_share", "changeovers", "changeover_minutes", "missed_parcels",
    "proved", "at_most_better_by",
)  # fmt: skip


def curve_csv(answer: StudyAnswer) -> str:
    """A row for each number of sizes; bags are parted by spaces, empty means not known."""
    text = io.StringIO()
    sheet = csv.DictWriter(text, _COLUMNS, extrasaction="ignore")
    sheet.writeheader()
    for point in answer.curve:
        facts = point.totals.model_dump() | point.model_dump(exclude={"totals"})
        rounded = {k: round(v, 6) if isinstance(v, float) else v for k, v in facts.items()}
        sheet.writerow(rounded | {"bags": " ".join(point.bags)})
    return text.getvalue()
