"""A stacking as places: rows with the tallest in the middle, piles with the heaviest below."""

from dataclasses import dataclass
from functools import lru_cache

from gateway.fit.blocks import Block
from gateway.fit.stackings import Stackings

_HAIR_MM = 1e-9
_MUCH = 2.0
"""A group of more than so many times another's mass lies below it (common practice, no source)."""
Part = tuple[int, bool]
"""An envelope's number, and whether it is turned."""


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
    if builder.sinks:
        _let_down(builder.laid)
    return builder.laid


class _Builder:
    def __init__(self, stackings: Stackings) -> None:
        self._of = stackings
        self._made = stackings.made
        self.sinks = False
        """Something lies on a group, so that it may not touch all that is under it."""
        self._low, self._high, self._up = stackings.sides
        self.laid: list[Laid] = []

    def place(self, number: int, turned: bool, x: float, y: float, z: float) -> None:
        made = self._made[number]
        if made[0] < 0:
            one = self._of.blocks[made[2]]
            self.laid.append(Laid(crossed(one) if turned else one, x, y, z))
            return
        axis, row = self._row(number, turned)
        low, high = self._low[number], self._high[number]
        along, across = (high, low) if turned else (low, high)
        for child, child_turned in row:
            low, high = self._low[child], self._high[child]
            dx, dy = (high, low) if child_turned else (low, high)
            if axis == 0:
                self.place(child, child_turned, x, y + (across - dy) / 2, z)
                x += dx
            elif axis == 1:
                self.place(child, child_turned, x + (along - dx) / 2, y, z)
                y += dy
            else:
                at = x + (along - dx) / 2, y + (across - dy) / 2
                self.place(child, child_turned, at[0], at[1], z)
                z += self._up[child]

    def _row(self, number: int, turned: bool) -> tuple[int, list[Part]]:
        """All that a stacking joins in one direction, in the order in which it is laid."""
        axis, left, right = self._parts(number, turned)
        if axis == 2 and self._of.fragile:
            return axis, self._two(left, right)
        row: list[Part] = []
        waiting = [left, right]
        while waiting:
            one = waiting.pop()
            if self._made[one[0]][0] >= 0:
                inner, *parts = self._parts(*one)
                if inner == axis:
                    waiting += parts
                    continue
            row.append(one)
        if axis == 2:
            return axis, self._pile(row)
        if len(row) > 2:
            row.sort(key=lambda part: self._up[part[0]])
            row = row[::2] + row[1::2][::-1]
        return axis, row

    def _parts(self, number: int, turned: bool) -> tuple[int, Part, Part]:
        axis, left, right, right_turned, was_turned = self._made[number]
        turned = turned != was_turned
        if turned and axis < 2:
            axis = 1 - axis
        return axis, (left, turned), (right, turned != right_turned)

    def _pile(self, row: list[Part]) -> list[Part]:
        """The heavier below; where none is much heavier, the widest in the middle, since film
        runs straight over what is narrower at both ends."""
        self._may_sink(row)
        masses = [self._of.group_of[part[0]].mass_g for part in row]
        if len(row) == 2 or max(masses) > max(_MUCH * min(masses), 0.0):
            row.sort(key=lambda part: self._heft(part[0]), reverse=True)
            return row
        row.sort(key=lambda part: self._low[part[0]] * self._high[part[0]])
        return row[::2] + row[1::2][::-1]

    def _two(self, left: Part, right: Part) -> list[Part]:
        """Below what may bear the other, else the heavier, else the wider."""
        self._may_sink([left, right])
        one, two = self._of.group_of[left[0]], self._of.group_of[right[0]]
        if not two.may_lie_on(one):
            return [right, left]
        if not one.may_lie_on(two) or self._heft(left[0]) >= self._heft(right[0]):
            return [left, right]
        return [right, left]

    def _may_sink(self, row: list[Part]) -> None:
        self.sinks = self.sinks or any(self._made[part[0]][0] >= 0 for part in row)

    def _heft(self, number: int) -> tuple[float, float]:
        return self._of.group_of[number].mass_g, self._low[number] * self._high[number]


@lru_cache(maxsize=4096)
def crossed(block: Block) -> Block:
    """The block after a quarter turn; worked out once for each."""
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
