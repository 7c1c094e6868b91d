"""All stackings of a few units: side by side along, side by side across, or one on the other.

A stacking is a binary tree over the pieces. A larger stacking sees only its envelope (along,
across, up), so each sub-order is solved once and only its undominated envelopes are kept. Three
observations keep the work small and lose nothing:

- alike units are counted, not told apart: a sub-order is a tuple of counts;
- a quarter turn on the table is always allowed, so envelopes are kept with along <= across, and
  a partner is tried as it is and turned (on top of one another, turning never helps);
- a first pass with a few envelopes for each sub-order gives a ceiling: whole stackings that are
  there to be had. An envelope lives on only if some whole stacking round it could come below that
  ceiling: its own wasted space and the pieces still missing must fit under it by volume.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import product
from math import inf

import numpy as np
from numpy.typing import NDArray

from gateway.fit.blocks import Block
from gateway.fit.ceiling import Ceiling
from gateway.fit.pairs import Pairs

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
State = tuple[int, ...]
Split = tuple[State, State]
Level = tuple[tuple[State, tuple[Split, ...]], ...]
"""Sub-orders of as many units, each with the ways to part it in two."""
Made = tuple[int, int, int, bool, bool]
"""Axis (0 along, 1 across, 2 up), left, right, right turned, turned; of a block -1, 0, its
number. `turned` says that the envelope was turned to have its shorter side along."""

_GRID = 2.0**26
"""Envelopes are whole numbers of this part of a mm, rounded up, so that sums of them are exact and
the same in whatever order they are made."""
_HAIR_MM = 1e-6
_FIRST_PASS = 4
"""Envelopes kept for each sub-order in the first pass."""
_ROOTS = 12
"""Whole stackings that are laid out at the least, where there are as many."""


@dataclass(frozen=True, slots=True)
class Unit:
    """What is stacked: one of these blocks, `count` times. Mass and strength as for pieces."""

    blocks: tuple[Block, ...]
    count: int
    volume: float
    """Goods in one block, mm3."""
    mass_g: float | None = None
    bears_g: float = inf
    """The mass that may lie on it."""


@dataclass(frozen=True, slots=True)
class Group:
    """Some units, and the run of numbers of their envelopes."""

    start: int
    end: int
    volume: float
    """Goods in it, mm3."""
    mass_g: float
    """-1 where it is not known."""
    bears_g: float
    """The mass that its weakest piece may bear."""

    def may_lie_on(self, other: "Group") -> bool:
        """Whether nothing in the other group is asked to bear more than it may."""
        return other.bears_g == inf or 0 <= self.mass_g <= other.bears_g

    def with_(self, other: "Group", start: int, end: int) -> "Group":
        """Both together, with the envelopes of the whole."""
        known = self.mass_g >= 0 and other.mass_g >= 0
        return Group(
            start,
            end,
            self.volume + other.volume,
            self.mass_g + other.mass_g if known else -1.0,
            min(self.bears_g, other.bears_g),
        )


class Stackings:
    """The envelopes of a set of units, and how each was made."""

    def __init__(self, units: Sequence[Unit], max_up: float = inf) -> None:
        self.blocks = [block for unit in units for block in unit.blocks]
        self.max_up = max_up + _HAIR_MM
        self.fragile = any(unit.bears_g < inf for unit in units)
        self._units = units
        sizes = np.ceil(np.array([block.size for block in self.blocks]) * _GRID) / _GRID
        rows = np.nonzero(sizes[:, 2] <= self.max_up)[0]
        self.low, self.high, self.up = sizes[rows].T
        self.made: list[Made] = [(-1, 0, row, False, False) for row in rows.tolist()]
        self.group_of: list[Group] = []
        """Of each envelope the group that it holds."""
        self.alone = self._leaves(rows)
        """Of each unit the group of one."""

    def _leaves(self, rows: Ints) -> list[Group]:
        groups = []
        start = 0
        ends = np.cumsum([len(unit.blocks) for unit in self._units])
        for unit, end in zip(self._units, np.searchsorted(rows, ends).tolist(), strict=True):
            mass = -1.0 if unit.mass_g is None else unit.mass_g
            group = Group(start, end, unit.volume, mass, unit.bears_g)
            groups.append(group)
            self.group_of += [group] * (end - start)
            start = end
        return groups

    def solve(self) -> range:
        """Numbers of the whole stackings that are worth laying out; none if all are too thick."""
        return self.stacked(self.alone, tuple(unit.count for unit in self._units))

    def stacked(self, groups: Sequence[Group], counts: State, most: int | None = None) -> range:
        """All stackings of these groups, each so many times; or with at most so many envelopes
        kept for each sub-order, and half as many slim ones."""
        levels = plan(counts)
        if not levels:
            return range(groups[0].start, groups[0].end)
        ceiling = None
        if most is None and len(levels) > 2:
            _, pairs, rows = self._pass(groups, levels, _FIRST_PASS, None)
            if not len(rows):
                return range(0)
            low, high, up = pairs.envelopes(rows)
            goods = sum(g.volume * n for g, n in zip(groups, counts, strict=True))
            extremes = self._extremes(groups, counts)
            ceiling = Ceiling.over(high + up, low + up, goods, *extremes)
        halves, pairs, rows = self._pass(groups, levels, most, ceiling)
        # for two units the hull of the halves is the true one; of many units few are laid out
        wanted = 1 if most is not None or sum(counts) < 3 else _ROOTS
        kept = pairs.roots(pairs.near(rows), wanted)
        [whole] = self.keep([halves], pairs, kept)
        return range(whole.start, whole.end)

    @cached_property
    def sides(self) -> tuple[list[float], list[float], list[float]]:
        """Of each envelope the shorter and the longer side on the table and its height, mm.

        Ask once everything is solved.
        """
        return self.low.tolist(), self.high.tolist(), self.up.tolist()

    def _extremes(self, groups: Sequence[Group], counts: State) -> tuple[float, float]:
        """The least need that any whole stacking can have, and the largest worth having: that of
        one row with the longest side of everything along it."""
        least = longest = tallest = 0.0
        for group, count in zip(groups, counts, strict=True):
            own = slice(group.start, group.end)
            low, high, up = self.low[own], self.high[own], self.up[own]
            least = max(least, float((low + up).min()))
            longest += count * float(np.maximum(high, up).max())
            tallest = max(tallest, float(up.min()))
        return least, longest + tallest

    def _pass(
        self,
        groups: Sequence[Group],
        levels: Sequence[Level],
        most: int | None,
        ceiling: Ceiling | None,
    ) -> tuple[tuple[Group, Group], Pairs, Ints]:
        """Two halves of the whole, all joins of any two halves, and those that may be made."""
        known = {_one(number, len(groups)): group for number, group in enumerate(groups)}
        for level in levels:
            splits = [[(known[a], known[b]) for a, b in splits] for _, splits in level]
            pairs, alive = self.joins(splits)
            rows = np.nonzero(alive.ravel())[0]
            if level is levels[-1]:
                break
            if ceiling is not None:
                within = np.array([one.volume + two.volume for (one, two), *_ in splits])
                rows = pairs.below(ceiling, rows, within)
            kept = pairs.undominated(rows) if most is None else pairs.best(rows, most)
            made = self.keep([first for first, *_ in splits], pairs, kept)
            known |= zip((state for state, _ in level), made, strict=True)
        return splits[0][0], pairs, rows

    def joins(
        self, splits: Sequence[Sequence[tuple[Group, Group]]]
    ) -> tuple[Pairs, NDArray[np.bool_]]:
        """Every join of every pair of groups, owned by the position of its list; and which of
        them are thin enough and lay nothing on what can't bear it."""
        left, right, sizes, bearing = [], [], [], []
        for ways in splits:
            size = 0
            for one, two in ways:
                i, j = _grid(one.end - one.start, two.end - two.start, one is two)
                left.append(i + one.start)
                right.append(j + two.start)
                size += len(i)
                if self.fragile:
                    bears = one.may_lie_on(two) or two.may_lie_on(one)
                    bearing.append(np.full(len(i), bears))
            sizes.append(size)
        owner = np.repeat(np.arange(len(splits)), sizes)
        sides = self.low, self.high, self.up
        pairs = Pairs(np.concatenate(left), np.concatenate(right), owner, sides)
        alive = pairs.up <= self.max_up
        if self.fragile:
            alive[4] &= np.concatenate(bearing)
        return pairs, alive

    def keep(self, halves: Sequence[tuple[Group, Group]], pairs: Pairs, kept: Ints) -> list[Group]:
        """Add joins, which are in the order of their owners; the group of each owner."""
        start = len(self.made)
        self.made += pairs.made(kept)
        self.low = np.concatenate((self.low, pairs.low.ravel()[kept]))
        self.high = np.concatenate((self.high, pairs.high.ravel()[kept]))
        self.up = np.concatenate((self.up, pairs.up.ravel()[kept]))
        owner = pairs.owner[kept % max(pairs.count, 1)]
        ends = start + np.searchsorted(owner, np.arange(1, len(halves) + 1))
        groups = []
        for (one, two), end in zip(halves, ends.tolist(), strict=True):
            group = one.with_(two, start, end)
            groups.append(group)
            self.group_of += [group] * (end - start)
            start = end
        return groups


def _one(number: int, of: int) -> State:
    return tuple(int(n == number) for n in range(of))


@lru_cache(maxsize=256)
def plan(counts: State) -> tuple[Level, ...]:
    """The sub-orders of so many units of each, by size from two on to the whole."""
    states = [state for state in product(*(range(n + 1) for n in counts)) if sum(state) > 1]
    levels = []
    for size in range(2, sum(counts) + 1):
        of_size = [state for state in states if sum(state) == size]
        levels.append(tuple((state, tuple(_splits(state))) for state in of_size))
    return tuple(levels)


def _splits(state: State) -> list[Split]:
    found = []
    for one in product(*(range(n + 1) for n in state)):
        two = tuple(n - m for n, m in zip(state, one, strict=True))
        if any(one) and one <= two:
            found.append((one, two))
    return found


@lru_cache(maxsize=4096)
def _grid(rows: int, columns: int, same: bool) -> tuple[Ints, Ints]:
    """Positions of every pair; of a set with itself each pair once."""
    i, j = np.divmod(np.arange(rows * columns), max(columns, 1))
    return (i[i <= j], j[i <= j]) if same else (i, j)
