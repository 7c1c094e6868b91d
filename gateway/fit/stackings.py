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

_FIRST_PASS = 4
"""Envelopes kept for each sub-order in the first pass."""


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


class Stackings:
    """The envelopes of a set of units, and how each was made."""

    def __init__(self, units: Sequence[Unit], max_up: float = inf) -> None:
        self.units = units
        self.blocks = [block for unit in units for block in unit.blocks]
        self._sizes = np.array([block.size for block in self.blocks])
        self._max_up = max_up
        self._fragile = any(unit.bears_g < inf for unit in units)
        self._restart()

    def solve(self) -> range:
        """Numbers of the whole stackings that are worth laying out; none if all are too thick."""
        full, levels = plan(tuple(unit.count for unit in self.units))
        ceiling = None
        if len(levels) > 2:
            found = self._pass(full, levels, _FIRST_PASS, None)
            if not found:
                return found
            rows = np.arange(found.start, found.stop)
            high, up = self.high[rows], self.up[rows]
            goods = sum(unit.volume * unit.count for unit in self.units)
            ceiling = Ceiling.over(high + up, self.low[rows] + up, goods, *self._extremes())
            self._restart()
        return self._pass(full, levels, None, ceiling)

    @cached_property
    def sides(self) -> tuple[list[float], list[float], list[float]]:
        """Of each envelope the shorter and the longer side on the table and its height, mm.

        Ask once everything is solved.
        """
        return self.low.tolist(), self.high.tolist(), self.up.tolist()

    def _extremes(self) -> tuple[float, float]:
        """The least need that any whole stacking can have, and the largest worth having: that of
        one row with every piece's longest side along it."""
        least = longest = tallest = 0.0
        for unit in self.units:
            least = max(least, min(block.size[0] + block.size[2] for block in unit.blocks))
            longest += unit.count * max(max(block.size) for block in unit.blocks)
            tallest = max(tallest, min(block.size[2] for block in unit.blocks))
        return least, longest + tallest

    def _restart(self) -> None:
        rows = np.nonzero(self._sizes[:, 2] <= self._max_up)[0]
        self.low, self.high, self.up = self._sizes[rows].T
        self.made: list[Made] = [(-1, 0, row, False, False) for row in rows.tolist()]
        self.states: list[State] = []
        """Of each envelope the units in it, counted."""
        self._spans: dict[State, tuple[int, int]] = {}
        start = 0
        ends = np.cumsum([len(unit.blocks) for unit in self.units])
        for number, end in enumerate(np.searchsorted(rows, ends).tolist()):
            alone = tuple(int(n == number) for n in range(len(self.units)))
            self._spans[alone] = start, end
            self.states += [alone] * (end - start)
            start = end

    def _pass(
        self, full: State, levels: Sequence[Level], most: int | None, ceiling: Ceiling | None
    ) -> range:
        for level in levels:
            pairs = self._pairs(level)
            alive = pairs.up <= self._max_up
            if self._fragile:
                alive[4] &= self._may_stack(level)
            rows = np.nonzero(alive.ravel())[0]
            last = level[0][0] == full
            if ceiling is not None and last:
                rows = pairs.near(ceiling, rows)
            elif ceiling is not None:
                within = np.array([self._volume(state) for state, _ in level])
                rows = pairs.below(ceiling, rows, within)
            if last:
                kept = pairs.roots(rows, sum(full))
            elif most is not None:
                kept = pairs.best(rows, most)
            else:
                kept = pairs.undominated(rows)
            self._keep(level, pairs, kept)
        return range(*self._spans[full])

    def _keep(self, level: Level, pairs: Pairs, kept: Ints) -> None:
        """Add the joins, which are in the order of the level's sub-orders."""
        start = len(self.made)
        self.made += pairs.made(kept)
        self.low = np.concatenate((self.low, pairs.low.ravel()[kept]))
        self.high = np.concatenate((self.high, pairs.high.ravel()[kept]))
        self.up = np.concatenate((self.up, pairs.up.ravel()[kept]))
        owner = pairs.owner[kept % max(pairs.count, 1)]
        ends = start + np.searchsorted(owner, np.arange(1, len(level) + 1))
        for (state, _), end in zip(level, ends.tolist(), strict=True):
            self._spans[state] = start, end
            self.states += [state] * (end - start)
            start = end

    def _pairs(self, level: Level) -> Pairs:
        left, right, sizes = [], [], []
        for _, splits in level:
            size = 0
            for one, two in splits:
                (a, b), (c, d) = self._spans[one], self._spans[two]
                i, j = _grid(b - a, d - c, one == two)
                left.append(i + a)
                right.append(j + c)
                size += len(i)
            sizes.append(size)
        owner = np.repeat(np.arange(len(level)), sizes)
        sides = self.low, self.high, self.up
        return Pairs(np.concatenate(left), np.concatenate(right), owner, sides)

    def _may_stack(self, level: Level) -> NDArray[np.bool_]:
        allowed = []
        for _, splits in level:
            for one, two in splits:
                (a, b), (c, d) = self._spans[one], self._spans[two]
                size = len(_grid(b - a, d - c, one == two)[0])
                allowed.append(np.full(size, self.lies_on(one, two) or self.lies_on(two, one)))
        return np.concatenate(allowed)

    def lies_on(self, top: State, bottom: State) -> bool:
        """Whether nothing in the lower set is asked to bear more than it may."""
        if not self._fragile:
            return True
        bears = min(u.bears_g for u, n in zip(self.units, bottom, strict=True) if n)
        return bears == inf or 0 <= self.mass(top) <= bears

    def mass(self, state: State) -> float:
        """Mass of so many of each unit, g; -1 where it is not known."""
        total = 0.0
        for unit, n in zip(self.units, state, strict=True):
            if n:
                if unit.mass_g is None:
                    return -1.0
                total += unit.mass_g * n
        return total

    def _volume(self, state: State) -> float:
        return sum(unit.volume * n for unit, n in zip(self.units, state, strict=True))


@lru_cache(maxsize=256)
def plan(counts: State) -> tuple[State, tuple[Level, ...]]:
    """The whole order as a state, and its sub-orders by size from two units on."""
    states = [state for state in product(*(range(n + 1) for n in counts)) if sum(state) > 1]
    levels = []
    for size in range(2, sum(counts) + 1):
        of_size = [state for state in states if sum(state) == size]
        levels.append(tuple((state, tuple(_splits(state))) for state in of_size))
    return counts, tuple(levels)


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
