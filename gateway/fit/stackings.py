"""All stackings of a few units: side by side along, side by side across, or one on the other.

A stacking is a binary tree over the pieces. Its envelope (along, across, up) is all that a
larger stacking sees of it, so each sub-order is solved once and only its undominated envelopes
are kept. A quarter turn on the table is always allowed, hence envelopes are kept with
along <= across, and a partner is tried as it is and turned.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from math import inf

import numpy as np
from numpy.typing import NDArray

from gateway.fit.blocks import Block

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_LEAF = -1


@dataclass(frozen=True, slots=True)
class Unit:
    """What is stacked: one of these blocks, `count` times. Mass and strength as for pieces."""

    blocks: tuple[Block, ...]
    count: int
    mass_g: float | None
    bears_g: float
    """The mass that may lie on it."""


@dataclass(frozen=True, slots=True)
class Laid:
    """A block at its place."""

    block: Block
    x: float
    y: float
    z: float


class Stackings:
    """A growing store of envelopes; each knows the two that it was made of."""

    def __init__(self, units: Sequence[Unit], max_up: float = inf) -> None:
        self._units = units
        self._max_up = max_up
        self._blocks: list[Block] = []
        self._size: Floats = np.empty((0, 3))
        self._made: Ints = np.empty((0, 5), dtype=np.int64)
        """Axis or -1 for a block; left; right or block number; right turned; itself turned."""

    def solve(self, keep: int | None = None) -> Ints:
        """Numbers of the undominated envelopes that hold every unit, by (width, length)."""
        spans: dict[tuple[int, ...], Ints] = {}
        full = tuple(unit.count for unit in self._units)
        states = sorted(product(*(range(n + 1) for n in full)), key=lambda s: (sum(s), s))
        for state in states[1:]:
            if sum(state) == 1:
                spans[state] = self._leaves(state.index(1))
                continue
            found = [
                self._combined(spans[one], spans[two], self._axes(one, two))
                for one, two in _splits(state)
            ]
            size = np.concatenate([f[0] for f in found])
            made = np.concatenate([f[1] for f in found])
            spans[state] = self._kept(size, made, last=state == full, most=keep)
        return spans[full]

    def _leaves(self, unit: int) -> Ints:
        blocks = self._units[unit].blocks
        first = len(self._blocks)
        self._blocks += blocks
        size = np.array([block.size for block in blocks])
        made = np.array([[_LEAF, 0, first + n, 0, 0] for n in range(len(blocks))])
        return self._kept(size, made, last=False, most=None)

    def _axes(self, one: tuple[int, ...], two: tuple[int, ...]) -> tuple[int, ...]:
        above = self._may_lie_on(one, two) or self._may_lie_on(two, one)
        return (0, 1, 2) if above else (0, 1)

    def _may_lie_on(self, top: tuple[int, ...], bottom: tuple[int, ...]) -> bool:
        bears = min(u.bears_g for u, n in zip(self._units, bottom, strict=True) if n)
        if bears == inf:
            return True
        masses = [(u.mass_g, n) for u, n in zip(self._units, top, strict=True) if n]
        return (
            all(m is not None for m, _ in masses) and sum((m or 0) * n for m, n in masses) <= bears
        )

    def _combined(self, left: Ints, right: Ints, axes: tuple[int, ...]) -> tuple[Floats, Ints]:
        i = np.repeat(left, len(right))
        j = np.tile(right, len(left))
        one, two = self._size[i], self._size[j]
        sizes, mades = [], []
        for turned in (0, 1):
            other = two[:, [1, 0, 2]] if turned else two
            for axis in axes:
                if axis == 2 and turned:
                    continue
                size = np.maximum(one, other)
                size[:, axis] = one[:, axis] + other[:, axis]
                made = np.zeros((len(i), 5), dtype=np.int64)
                made[:, 0], made[:, 1], made[:, 2], made[:, 3] = axis, i, j, turned
                sizes.append(size)
                mades.append(made)
        return np.concatenate(sizes), np.concatenate(mades)

    def _kept(self, size: Floats, made: Ints, *, last: bool, most: int | None) -> Ints:
        fits = size[:, 2] <= self._max_up
        size, made = size[fits], made[fits]
        swap = size[:, 0] > size[:, 1]
        size[swap] = size[swap][:, [1, 0, 2]]
        made[swap, 4] = 1
        keys = np.stack([size[:, 1] + size[:, 2], size[:, 0] + size[:, 2]], 1) if last else size
        chosen = _undominated(keys)
        if most is not None and len(chosen) > most:
            worth = np.argsort(
                (size[chosen, 0] + size[chosen, 2]) * (size[chosen, 1] + size[chosen, 2])
            )
            chosen = chosen[worth[:most]]
        first = len(self._size)
        self._size = np.concatenate([self._size, size[chosen]])
        self._made = np.concatenate([self._made, made[chosen]])
        return np.arange(first, first + len(chosen))

    def size(self, number: int) -> tuple[float, float, float]:
        """Extents of an envelope along, across, up."""
        a, b, c = self._size[number].tolist()
        return a, b, c

    def lay(self, number: int) -> list[Laid]:
        """The blocks of a stacking at their places, each group centred on its neighbour."""
        axis, left, right, right_turned, turned = self._made[number].tolist()
        if axis == _LEAF:
            block = self._blocks[right]
            laid = [Laid(block, 0.0, 0.0, 0.0)]
        else:
            one, two = self.lay(left), self.lay(right)
            if right_turned:
                two = [_turned(piece) for piece in two]
            laid = _joined(one, two, axis)
        return [_turned(piece) for piece in laid] if turned else laid


def _splits(state: tuple[int, ...]) -> Iterator[tuple[tuple[int, ...], tuple[int, ...]]]:
    for one in product(*(range(n + 1) for n in state)):
        two = tuple(n - m for n, m in zip(state, one, strict=True))
        if any(one) and one <= two:
            yield one, two


def _undominated(keys: Floats) -> Ints:
    """Positions of the rows that no other row is below or equal to in every column."""
    order = np.lexsort((*keys.T[::-1], keys.sum(1)))
    left = keys[order]
    chosen = []
    while len(left):
        chosen.append(order[0])
        stays = ~(left >= left[0]).all(1)
        order, left = order[stays], left[stays]
    return np.array(chosen, dtype=np.int64)


def _turned(laid: Laid) -> Laid:
    return Laid(laid.block.turned(), laid.y, laid.x, laid.z)


def extent(laid: Sequence[Laid]) -> tuple[float, float, float]:
    """Extents of laid blocks, all of them at or beyond the origin."""
    return (
        max(piece.x + piece.block.size[0] for piece in laid),
        max(piece.y + piece.block.size[1] for piece in laid),
        max(piece.z + piece.block.size[2] for piece in laid),
    )


def _joined(one: list[Laid], two: list[Laid], axis: int) -> list[Laid]:
    """Side by side or one on the other, centred on each other on the table."""
    if axis == 2 and _heft(two) > _heft(one):
        one, two = two, one
    first, second = extent(one), extent(two)
    shift_one, shift_two = [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]
    for side in (0, 1):
        gap = first[side] - second[side]
        shift_one[side], shift_two[side] = max(-gap, 0.0) / 2, max(gap, 0.0) / 2
    shift_one[axis], shift_two[axis] = 0.0, first[axis]
    return [_shifted(piece, shift_one) for piece in one] + [
        _shifted(piece, shift_two) for piece in two
    ]


def _heft(laid: Sequence[Laid]) -> float:
    a, b, _ = extent(laid)
    return a * b


def _shifted(laid: Laid, by: list[float]) -> Laid:
    return Laid(laid.block, laid.x + by[0], laid.y + by[1], laid.z + by[2])
