"""Which few of many sizes? Choose at most k columns so that the least of each row is small in sum.

This is the k-median problem with rows that a choice may miss. First as few rows as possible are
missed, then the excess is made small: what the rows take above the least that all columns together
would give them. Whole numbers throughout, so that equal is equal.

Branch and bound, the most promising part first. What a set of further columns gains is at most the
sum of what each gains alone, because the gain of a set is submodular (G. L. Nemhauser, L. A. Wolsey
and M. L. Fisher, "An analysis of approximations for maximizing submodular set functions I",
Mathematical Programming 14, 1978; from memory). A second bound comes from prices on rows (the
Lagrangian relaxation of the k-median problem): a row pays at most its price to each column.
"""

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count

import numpy as np
from numpy.typing import NDArray

MISSING = -1
"""In a table of values: this column can't serve this row."""
_WORK = 200_000_000
"""Cells looked at before the search stops unproved; counted, not timed, so that the same orders
get the same answer on every machine."""
_ROUNDS = 300
"""... of improving the rows' prices."""

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Choice:
    """The best choice found, and how good any other could be."""

    columns: tuple[int, ...]
    missed: int
    """Rows, each as often as it weighs, that no chosen column serves."""
    excess: int
    """What the served rows take above their least, in the unit of the values."""
    proved: bool
    bound: int
    """No choice that misses as few has a smaller excess."""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows that differ, with their weights, as regrets: value less the row's least."""

    regrets: Ints
    weights: Ints
    penalty: int
    """What a missed row costs: more than all regrets together."""

    @classmethod
    def of(cls, values: Ints, weights: Sequence[int]) -> "Table":
        """From values, whole numbers from 0 up or `MISSING`; each row is served by some column."""
        if not len(values):
            return cls(values, np.zeros(0, dtype=np.int64), 1)
        open_ = values != MISSING
        least = np.where(open_, values, np.iinfo(np.int64).max).min(axis=1)
        regrets = np.where(open_, values - least[:, None], MISSING)
        rows, place = np.unique(regrets, axis=0, return_inverse=True)
        total = np.zeros(len(rows), dtype=np.int64)
        np.add.at(total, place.reshape(-1), np.asarray(weights, dtype=np.int64))
        penalty = 1 + sum(
            int(weight) * int(worst) for weight, worst in zip(total, rows.max(axis=1), strict=True)
        )
        if penalty * int(total.sum()) >= 2**62:
            raise OverflowError("values too large to be added exactly")
        return cls(np.where(rows == MISSING, penalty, rows), total, penalty)

    def least(self, columns: Sequence[int]) -> Ints:
        """What each row takes with these columns."""
        if not columns:
            return np.full(len(self.weights), self.penalty, dtype=np.int64)
        found: Ints = self.regrets[:, list(columns)].min(axis=1)
        return found

    def cost(self, least: Ints) -> int:
        """All rows, missed ones at their penalty."""
        return int(least @ self.weights)


def choose(table: Table, most: int, keep: Sequence[int] = ()) -> Choice:
    """At most `most` columns, those to `keep` among them; of these there may not be more."""
    others = [column for column in range(table.regrets.shape[1]) if column not in set(keep)]
    start = _exchanged(table, _greedy(table, list(keep), others, most), len(keep), others)
    found, bound = _searched(table, tuple(keep), others, most, start)
    cost = table.cost(table.least(found))
    missed, excess = divmod(cost, table.penalty)
    least_missed, least_excess = divmod(bound, table.penalty)
    return Choice(
        columns=tuple(sorted(found)),
        missed=missed,
        excess=excess,
        proved=bound >= cost,
        bound=least_excess if least_missed == missed else 0,
    )


def _greedy(table: Table, chosen: list[int], others: Sequence[int], most: int) -> list[int]:
    """One column after the other, each that gains most."""
    while len(chosen) < most:
        left = [column for column in others if column not in chosen]
        if not left:
            break
        gains = _gains(table, table.least(chosen), left)
        best = int(gains.argmax())
        if gains[best] <= 0:
            break
        chosen = [*chosen, left[best]]
    return chosen


def _exchanged(table: Table, chosen: list[int], kept: int, others: Sequence[int]) -> list[int]:
    """One column for another as long as that is better."""
    better = True
    while better:
        better = False
        cost = table.cost(table.least(chosen))
        for place in range(kept, len(chosen)):
            rest = chosen[:place] + chosen[place + 1 :]
            left = [column for column in others if column not in chosen]
            if not left:
                return chosen
            least = table.least(rest)
            gains = _gains(table, least, left)
            best = int(gains.argmax())
            if table.cost(least) - int(gains[best]) < cost:
                chosen = [*chosen[:place], left[best], *chosen[place + 1 :]]
                better = True
                break
    return chosen


def _gains(table: Table, least: Ints, columns: Sequence[int]) -> Ints:
    """What each of these columns alone would save of the rows' least."""
    saved: Ints = np.maximum(least[:, None] - table.regrets[:, list(columns)], 0)
    gains: Ints = table.weights @ saved
    return gains


def _searched(
    table: Table, keep: tuple[int, ...], others: Sequence[int], most: int, start: Sequence[int]
) -> tuple[tuple[int, ...], int]:
    """The best columns and a lower bound on the cost of any; both meet where it is proved."""
    best, best_cost = tuple(start), table.cost(table.least(start))
    if best_cost == 0:
        return best, 0
    prices = _Prices(table, keep, others, most, best_cost)
    ticket, work = count(), 0
    waiting = [(prices.bound(keep, others), next(ticket), keep, tuple(others))]
    while waiting:
        bound, _, chosen, left = heapq.heappop(waiting)
        if bound >= best_cost:
            return best, best_cost
        if work > _WORK:
            return best, bound
        least = table.least(chosen)
        cost, places = table.cost(least), most - len(chosen)
        if cost < best_cost:
            best, best_cost = chosen, cost
        if not left or not places:
            continue
        work += table.regrets.shape[0] * len(left)
        gains = _gains(table, least, left)
        ranked = sorted(range(len(left)), key=lambda n: (-int(gains[n]), left[n]))
        left = tuple(left[n] for n in ranked)
        steps = [int(gains[n]) for n in ranked]
        for place, column in enumerate(left):
            # this one and none before it: at most it and the next best gains
            alone = cost - sum(steps[place : place + places])
            child, rest = (*chosen, column), left[place + 1 :]
            limit = max(bound, alone, prices.bound(child, rest))
            if limit < best_cost:
                heapq.heappush(waiting, (limit, next(ticket), child, rest))
    return best, best_cost


class _Prices:
    """A price for each row. Whatever is chosen, the cost is at least all prices, less what the
    chosen columns undercut them by; so a bound needs one number for each column."""

    def __init__(
        self, table: Table, keep: tuple[int, ...], others: Sequence[int], most: int, cost: int
    ) -> None:
        self._most = most
        regrets = table.regrets.astype(float)
        weights = table.weights.astype(float)
        prices = np.minimum(np.sort(regrets, axis=1)[:, min(1, regrets.shape[1] - 1)], cost)
        self._total, self._undercut = 0.0, np.zeros(regrets.shape[1])
        best, pace = -np.inf, 1.0
        for round_ in range(_ROUNDS):
            undercut = weights @ np.minimum(regrets - prices[:, None], 0.0)
            cheapest = sorted(others, key=lambda column: undercut[column])[: most - len(keep)]
            chosen = [*keep, *cheapest]
            bound = float(weights @ prices) + float(undercut[chosen].sum())
            if bound > best:
                best, self._total, self._undercut = bound, float(weights @ prices), undercut
            elif round_ % 10 == 9:
                pace /= 1.5
            if best > cost - 0.5:
                break
            slope = 1.0 - (regrets[:, chosen] < prices[:, None]).sum(axis=1)
            length = float(weights @ slope**2)
            if length == 0.0:
                break
            step = pace * max(1.0, cost - bound) / length
            prices = np.clip(prices + step * slope, 0.0, table.penalty)

    def bound(self, chosen: Sequence[int], left: Sequence[int]) -> int:
        """No choice of these columns and some of those left costs less."""
        undercut = self._undercut
        more = sorted(float(undercut[column]) for column in left)[: self._most - len(chosen)]
        total = self._total + float(undercut[list(chosen)].sum()) + sum(more)
        # a float sum may err by its last digits: let the bound be the lower for it
        return max(0, int(np.ceil(total - 1e-6 * max(1.0, abs(self._total)))))
