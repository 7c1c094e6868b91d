"""A stacking as places: rows with the tallest in the middle, piles with the heaviest below."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import inf

from gateway.fit.blocks import Block
from gateway.fit.stackings import Stackings

_HAIR_MM = 1e-9


@dataclass(slots=True)
class Laid:
    """A block at its place, mm from the lower corner of all the goods."""

    block: Block
    x: float
    y: float
    z: float


def lay(stackings: Stackings, number: int) -> list[Laid]:
    """The blocks of a whole stacking at their places, each one let down to what it lies on."""
    builder = _Builder(stackings)
    builder.place(number, False, 0.0, 0.0, 0.0)
    if len(builder.laid) > 2:
        _let_down(builder.laid)
    return builder.laid


class _Builder:
    def __init__(self, stackings: Stackings) -> None:
        self._of = stackings
        self.laid: list[Laid] = []

    def place(self, number: int, turned: bool, x: float, y: float, z: float) -> None:
        axis, _, block, _, _ = self._of.made[number]
        if axis < 0:
            one = self._of.blocks[block]
            self.laid.append(Laid(_turned(one) if turned else one, x, y, z))
            return
        along, across = self._sides(number, turned)
        axis, row = self._row(number, turned)
        at = [x, y, z]
        for child, child_turned in row:
            sides = (*self._sides(child, child_turned), float(self._of.up[child]))
            corner = list(at)
            for side, whole in ((0, along), (1, across)):
                if side != axis:
                    corner[side] += (whole - sides[side]) / 2
            self.place(child, child_turned, corner[0], corner[1], corner[2])
            at[axis] += sides[axis]

    def _sides(self, number: int, turned: bool) -> tuple[float, float]:
        low, high = float(self._of.low[number]), float(self._of.high[number])
        return (high, low) if turned else (low, high)

    def _row(self, number: int, turned: bool) -> tuple[int, list[tuple[int, bool]]]:
        """All that a stacking joins in one direction, in the order in which it is laid."""
        axis, left, right = self._parts(number, turned)
        if axis == 2:
            return axis, self._pile(left, right)
        row: list[tuple[int, bool]] = []
        waiting = [left, right]
        while waiting:
            one = waiting.pop()
            if self._of.made[one[0]][0] >= 0:
                inner, *parts = self._parts(*one)
                if inner == axis:
                    waiting += parts
                    continue
            row.append(one)
        if len(row) > 2:
            row.sort(key=lambda part: self._of.up[part[0]])
            row = row[::2] + row[1::2][::-1]
        return axis, row

    def _parts(self, number: int, turned: bool) -> tuple[int, tuple[int, bool], tuple[int, bool]]:
        axis, left, right, right_turned, was_turned = self._of.made[number]
        turned = turned != was_turned
        if turned and axis < 2:
            axis = 1 - axis
        return axis, (left, turned), (right, turned != right_turned)

    def _pile(self, left: tuple[int, bool], right: tuple[int, bool]) -> list[tuple[int, bool]]:
        """Below what may bear the other, else the heavier, else the wider."""
        one, two = self._content(left[0]), self._content(right[0])
        if not self._of.lies_on(two, one):
            return [right, left]
        if not self._of.lies_on(one, two):
            return [left, right]
        return (
            [left, right]
            if self._heft(one, left[0]) >= self._heft(two, right[0])
            else [
                right,
                left,
            ]
        )

    def _content(self, number: int) -> tuple[int, ...]:
        axis, left, right, *_ = self._of.made[number]
        if axis < 0:
            kind = self._of.blocks[right].kind
            return tuple(int(n == kind) for n in range(len(self._of.units)))
        both = zip(self._content(left), self._content(right), strict=True)
        return tuple(a + b for a, b in both)

    def _heft(self, content: Sequence[int], number: int) -> tuple[float, float]:
        masses = [u.mass_g for u, n in zip(self._of.units, content, strict=True) if n]
        known = [mass for mass in masses if mass is not None]
        mass = sum(known) if len(known) == len(masses) else -inf
        return mass, float(self._of.low[number] * self._of.high[number])


@lru_cache(maxsize=4096)
def _turned(block: Block) -> Block:
    return block.turned()


def _let_down(laid: list[Laid]) -> None:
    """Let each block sink to the floor or to what lies under it."""
    laid.sort(key=lambda one: one.z)
    for number, one in enumerate(laid):
        if one.z > 0:
            a, b, _ = one.block.size
            one.z = max(
                (
                    two.z + two.block.size[2]
                    for two in laid[:number]
                    if two.x < one.x + a - _HAIR_MM
                    and one.x < two.x + two.block.size[0] - _HAIR_MM
                    and two.y < one.y + b - _HAIR_MM
                    and one.y < two.y + two.block.size[1] - _HAIR_MM
                ),
                default=0.0,
            )
