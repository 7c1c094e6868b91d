"""Pairs of envelopes joined in the five ways that differ, many at once."""

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gateway.fit.ceiling import Ceiling, near, stair

if TYPE_CHECKING:
    from gateway.fit.stackings import Made

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_WAYS = ((0, False), (1, False), (0, True), (1, True), (2, False))
"""Axis of the join, and whether the right one is turned first."""
_BLOCK = 160


class Pairs:
    """Each pair joined along, across, the same with the right one turned, and on top.

    `low`, `high` and `up` have a row for each way and a column for each pair; a number that
    counts through them row by row names a join.
    """

    def __init__(
        self, left: Ints, right: Ints, owner: Ints, sizes: tuple[Floats, Floats, Floats]
    ) -> None:
        self.left, self.right, self.owner = left, right, owner
        self.count = len(left)
        low, high, up = sizes
        self._one = a1, b1, c1 = low[left], high[left], up[left]
        self._two = a2, b2, c2 = low[right], high[right], up[right]
        along, across, self.up = (np.empty((5, self.count)) for _ in range(3))
        np.add(a1, a2, out=along[0])
        np.maximum(b1, b2, out=across[0])
        np.maximum(a1, a2, out=along[1])
        np.add(b1, b2, out=across[1])
        np.add(a1, b2, out=along[2])
        np.maximum(b1, a2, out=across[2])
        np.maximum(a1, b2, out=along[3])
        np.add(b1, a2, out=across[3])
        along[4], across[4] = along[1], across[0]
        self.up[:4] = np.maximum(c1, c2)
        np.add(c1, c2, out=self.up[4])
        self.low, self.high = np.minimum(along, across), np.maximum(along, across)
        self._turned = along > across

    def below(self, ceiling: Ceiling, rows: Ints, within: Floats) -> Ints:
        """The joins that could still end up below the ceiling; `within` is the goods by owner."""
        low, high, up = self.envelopes(rows)
        alive = ceiling.may_come_below(low, high, up, within[self.owner[rows % self.count]])
        return rows[alive]

    def near(self, rows: Ints) -> Ints:
        """The joins of whole orders that are the least by their envelopes, or not far above."""
        low, high, up = self.envelopes(rows)
        return rows[near(high + up, low + up)]

    def envelopes(self, rows: Ints) -> tuple[Floats, Floats, Floats]:
        """`low`, `high` and `up` of these joins."""
        return self.low.ravel()[rows], self.high.ravel()[rows], self.up.ravel()[rows]

    def best(self, rows: Ints, most: int) -> Ints:
        """For each owner the joins with the least film of a plain bag, at most so many, and half
        as many of the slimmest."""
        low, high, up = self.envelopes(rows)
        owner = self.owner[rows % max(self.count, 1)]
        slim = low + up
        film = slim * (high + up)
        least = np.concatenate((_first(film, owner, most), _first(slim, owner, most // 2)))
        least = np.unique(least)
        return rows[least[np.argsort(owner[least], kind="stable")]]

    def undominated(self, rows: Ints) -> Ints:
        """For each owner the joins that no other of the same owner is within."""
        low, high, up = self.envelopes(rows)
        owner = self.owner[rows % max(self.count, 1)]
        # shifted by owner in two opposite senses, no join is within another owner's
        shift = owner * (2.0 * float(high.max(initial=1.0)))
        kept = undominated(low + shift, high - shift, up)
        return rows[kept[np.argsort(owner[kept], kind="stable")]]

    def roots(self, rows: Ints, wanted: int) -> Ints:
        """Joins of whole orders that may have the least needs, by the hull of their two halves.

        Further layers of the front come along until so many are found: laid out, they may turn
        out smaller than they look.
        """
        along, across = self.needs(rows)
        large, small = np.maximum(along, across), np.minimum(along, across)
        left = np.arange(len(rows))
        layers: list[Ints] = []
        while len(left) and wanted > 0:
            layers.append(left[stair(large[left], small[left])])
            wanted -= len(layers[-1])
            left = np.setdiff1d(left, layers[-1], assume_unique=True)
        return rows[np.concatenate(layers)] if layers else rows

    def needs(self, rows: Ints) -> tuple[Floats, Floats]:
        """Half girths in the side view and in the end view, each half taken for a box; mm."""
        (a1, b1, c1), (a2, b2, c2) = self._one, self._two
        beside = rows[rows < 4 * self.count]
        way, pair = np.divmod(beside, max(self.count, 1))
        crossed, turned = way % 2 == 1, way >= 2
        straight = crossed == turned
        p1, q1 = np.where(crossed, (b1[pair], a1[pair]), (a1[pair], b1[pair]))
        p2, q2 = np.where(straight, (a2[pair], b2[pair]), (b2[pair], a2[pair]))
        up1, up2 = c1[pair], c2[pair]
        stack = rows[len(beside) :] - 4 * self.count
        under, over = c1[stack], c2[stack]
        joined = np.append(_adjacent(p1, up1, p2, up2), _stacked(a1[stack], under, a2[stack], over))
        other = np.append(_behind(q1, up1, q2, up2), _stacked(b1[stack], under, b2[stack], over))
        swap = self._turned.ravel()[rows]
        swap[: len(beside)] ^= crossed
        return np.where(swap, other, joined), np.where(swap, joined, other)

    def made(self, rows: Ints) -> "list[Made]":
        """How each of these joins was made."""
        pair = rows % max(self.count, 1)
        return [
            (_WAYS[way][0], left, right, _WAYS[way][1], turned)
            for way, left, right, turned in zip(
                (rows // max(self.count, 1)).tolist(),
                self.left[pair].tolist(),
                self.right[pair].tolist(),
                self._turned.ravel()[rows].tolist(),
                strict=True,
            )
        ]


def _first(worth: Floats, owner: Ints, most: int) -> Ints:
    """Positions of each owner's joins of least worth, one for each worth."""
    order = np.lexsort((worth, owner))
    worth, owner = worth[order], owner[order]
    fresh = np.ones(len(order), dtype=bool)
    fresh[1:] = (worth[1:] != worth[:-1]) | (owner[1:] != owner[:-1])
    order, owner = order[fresh], owner[fresh]
    nth = np.arange(len(owner)) - np.searchsorted(owner, owner)
    return order[nth < most]


def _adjacent(p1: Floats, c1: Floats, p2: Floats, c2: Floats) -> Floats:
    """Half girth round two rectangles side by side on one floor."""
    first = c1 >= c2
    tall = np.where(first, p1, p2)
    return (p1 + p2 + c1 + c2 + tall + _slant(p1 + p2 - tall, c1 - c2)) / 2


def _behind(q1: Floats, c1: Floats, q2: Floats, c2: Floats) -> Floats:
    """Half girth round two rectangles one behind the other, centred, on one floor."""
    wide, narrow = np.maximum(q1, q2), np.minimum(q1, q2)
    under = np.where(q1 >= q2, c1, c2)
    over = np.maximum(np.maximum(c1, c2) - under, 0)
    slope = (wide - narrow) / 2
    return np.where(over > 0, (wide + narrow) / 2 + under + _slant(slope, over), wide + under)


def _stacked(w1: Floats, c1: Floats, w2: Floats, c2: Floats) -> Floats:
    """Half girth round two rectangles one on the other, centred."""
    wide, narrow = np.maximum(w1, w2), np.minimum(w1, w2)
    first = w1 >= w2
    under, over = np.where(first, c1, c2), np.where(first, c2, c1)
    return (wide + narrow) / 2 + under + _slant((wide - narrow) / 2, over)


def _slant(flat: Floats, rise: Floats) -> Floats:
    """As a plain root, which every processor and every language rounds alike; `hypot` is not."""
    return np.sqrt(flat * flat + rise * rise)


def undominated(low: Floats, high: Floats, up: Floats) -> Ints:
    """Positions of the rows that no other is below or equal to in all three."""
    order = np.argsort(low + high + up, kind="stable")
    chosen: list[Ints] = []
    while len(order):
        head, order = order[:_BLOCK], order[_BLOCK:]
        a, b, c = low[head], high[head], up[head]
        covers = (a[:, None] <= a) & (b[:, None] <= b) & (c[:, None] <= c)
        covers &= _earlier(len(head))
        best = head[~np.logical_or.reduce(covers)]
        chosen.append(best)
        if len(order):
            a, b, c = low[best, None], high[best, None], up[best, None]
            covered = (a <= low[order]) & (b <= high[order]) & (c <= up[order])
            order = order[~np.logical_or.reduce(covered)]
    return np.concatenate(chosen) if chosen else np.empty(0, dtype=np.int64)


@lru_cache(maxsize=_BLOCK)
def _earlier(count: int) -> NDArray[np.bool_]:
    """Whether the row comes before the column, so that one of two equals stays."""
    return np.triu(np.ones((count, count), dtype=bool), 1)
