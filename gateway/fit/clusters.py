"""More units than can be stacked exactly: merge what goes together best until few groups are left.

Bounded: each round joins the two groups whose join wastes least space, and keeps a few of their
joins; the last few groups are then stacked in every way. The answer is always a valid layout.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gateway.fit.pairs import Pairs
from gateway.fit.stackings import Group, Stackings

Floats = NDArray[np.float64]

_LAST = 6
"""Groups that are stacked in every way."""
_AT_ONCE = 4096
"""Pairs of groups that are joined at once."""


def merged(
    stackings: Stackings, groups: Sequence[Group], flatness: float, kept: int, at_last: int
) -> range:
    """Numbers of whole stackings worth laying out; none where all are too thick.

    `flatness` is how much a join's height counts against it beside the space that it wastes.
    `kept` is the number of joins that live on for each merged group, and `at_last` that for each
    sub-order of the last few groups; half as many slim ones come along.
    """
    if any(group.start == group.end for group in groups):
        return range(0)
    merging = _Merging(stackings, list(groups), flatness, kept)
    while len(merging.groups) > _LAST:
        if not merging.merge():
            return range(0)
    return stackings.stacked(merging.groups, (1,) * len(merging.groups), at_last)


class _Merging:
    def __init__(
        self, stackings: Stackings, groups: list[Group], flatness: float, kept: int
    ) -> None:
        self._in = stackings
        self._kept = kept
        self.groups = groups
        self._flatness = flatness
        count = len(groups)
        self._worth = np.full((count, count), np.inf)
        i, j = np.triu_indices(count, 1)
        for start in range(0, len(i), _AT_ONCE):
            part = slice(start, start + _AT_ONCE)
            self._rate(i[part].tolist(), j[part].tolist())

    def _rate(self, i: Sequence[int], j: Sequence[int]) -> None:
        """How much the best join of each of these pairs wastes."""
        splits = [[(self.groups[a], self.groups[b])] for a, b in zip(i, j, strict=True)]
        if not splits:
            return
        pairs, alive = self._in.joins(splits)
        goods = np.array([one.volume + two.volume for [(one, two)] in splits])
        worth = np.where(alive, self._waste(pairs, goods), np.inf).min(0)
        starts = np.searchsorted(pairs.owner, np.arange(len(splits)))
        self._worth[i, j] = np.minimum.reduceat(worth, starts)

    def _waste(self, pairs: Pairs, goods: Floats) -> Floats:
        """Lost space of each join, mm3; and what it would cost a bag to be so thick."""
        lost = pairs.low * pairs.high * pairs.up - goods[pairs.owner]
        return lost + self._flatness * pairs.up**3

    def merge(self) -> bool:
        """Join the two that go together best; false where nothing may be joined."""
        count = len(self.groups)
        one, two = divmod(int(self._worth.argmin()), count)
        if self._worth[one, two] == np.inf:
            return False
        halves = self.groups[one], self.groups[two]
        pairs, alive = self._in.joins([[halves]])
        kept = pairs.best(np.nonzero(alive.ravel())[0], self._kept)
        [group] = self._in.keep([halves], pairs, kept)
        rest = [n for n in range(count) if n not in {one, two}]
        self.groups = [self.groups[n] for n in rest] + [group]
        worth = np.full((count - 1, count - 1), np.inf)
        worth[: count - 2, : count - 2] = self._worth[np.ix_(rest, rest)]
        self._worth = worth
        self._rate(range(count - 2), [count - 2] * (count - 2))
        return True
