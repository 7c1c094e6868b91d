"""The curve: for each number of sizes the best choice, and what one size more gains."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gateway.study.errors import StudyWrong
from gateway.study.past import Past
from gateway.study.replay import Wanted
from gateway.study.selection import MISSING, Table, choose
from schemas.base import BagId
from schemas.rules import Aim
from schemas.study import CurvePoint, Totals

_UNITS = {Aim.LEAST_FILM: 1.0, Aim.LEAST_COST: 1e4}
"""Values are chosen among in whole mm2, or in ten-thousandths of the site's money."""
_SHOWN = {Aim.LEAST_FILM: 1e6, Aim.LEAST_COST: 1e4}


@dataclass(frozen=True, slots=True)
class Chosen:
    """The best choice of at most so many candidates."""

    bags: tuple[BagId, ...]
    missed: int
    proved: bool
    better_by: float
    """No choice that misses as few parcels is better by more, m2 or money."""


def choices(
    past: Past,
    aim: Aim,
    wanted: Sequence[Wanted],
    candidates: tuple[BagId, ...],
    keep: Sequence[BagId],
    most: int,
) -> list[Chosen]:
    """The best choice of 1, 2, ... `most` sizes, from as many as must be kept.

    It ends where another size would gain nothing.
    """
    table = _table(past, aim, wanted, candidates)
    kept = [candidates.index(bag) for bag in dict.fromkeys(keep)]
    found: list[Chosen] = []
    for sizes in range(max(1, len(kept)), min(most, len(candidates)) + 1):
        choice = choose(table, sizes, kept)
        if found and len(choice.columns) < sizes:
            break
        found.append(
            Chosen(
                bags=tuple(candidates[column] for column in choice.columns),
                missed=choice.missed,
                proved=choice.proved,
                better_by=(choice.excess - choice.bound) / _SHOWN[aim],
            )
        )
    return found


def point_of(chosen: Chosen, totals: Totals, before: CurvePoint | None) -> CurvePoint:
    """What a choice takes, and what it gains over the choice before."""
    gain = _gain(totals, before.totals) if before is not None else ""
    return CurvePoint(
        sizes=len(chosen.bags),
        bags=chosen.bags,
        totals=totals,
        missed_parcels=chosen.missed,
        proved=chosen.proved,
        at_most_better_by=chosen.better_by,
        gain=gain,
        text=_sentence(chosen, totals, gain),
    )


def _table(past: Past, aim: Aim, wanted: Sequence[Wanted], candidates: tuple[BagId, ...]) -> Table:
    """A row for each parcel, a column for each candidate."""
    weighed = [(row, n) for one, n in zip(wanted, past.counts, strict=True) for row in one.rows]
    values = np.full((len(weighed), len(candidates)), MISSING, dtype=np.int64)
    for place, (row, _) in enumerate(weighed):
        for column, bag in enumerate(candidates):
            if bag in row:
                values[place, column] = round(row[bag] * _UNITS[aim])
    try:
        return Table.of(values, [n for _, n in weighed])
    except OverflowError as large:
        raise StudyWrong("too many orders or too large prices: study fewer at a time") from large


def _sentence(chosen: Chosen, totals: Totals, gain: str) -> str:
    count = len(chosen.bags)
    text = (
        f"{count} size{'' if count == 1 else 's'} ({', '.join(chosen.bags)}): {totals.packed} of"
        f" {totals.orders} orders packed in {totals.parcels} parcels, {totals.film_m2:.1f} m2 of"
        " film"
    )
    if totals.bag_cost is not None:
        text += f", bags for {totals.bag_cost:.2f}"
    text += f"; the further size: {gain}" if gain else ""
    return text if chosen.proved else f"{text}; not proved to be the best"


def _gain(now: Totals, before: Totals) -> str:
    """What the further size gains."""
    parts = []
    if now.packed != before.packed:
        parts.append(f"{now.packed - before.packed:+d} orders packed")
    if now.parcels != before.parcels:
        parts.append(f"{now.parcels - before.parcels:+d} parcels")
    parts.append(f"{now.film_m2 - before.film_m2:+.1f} m2")
    if now.bag_cost is not None and before.bag_cost is not None:
        parts.append(f"{now.bag_cost - before.bag_cost:+.2f} for bags")
    if now.cost is not None and before.cost is not None:
        parts.append(f"{now.cost - before.cost:+.2f} in all")
    changed = (now.changeovers or 0) - (before.changeovers or 0)
    if changed:
        parts.append(f"{changed:+d} changeovers")
    return ", ".join(parts)
