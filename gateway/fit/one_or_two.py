"""One piece, or two boxes: every arrangement by closed formulas, since most orders are no larger.

Two boxes that do not overlap can be parted by a plane, so that one lies beside the other or on
it; the three formulas for two rectangles then give the exact half girths.
"""

from collections.abc import Iterator, Sequence
from functools import partial
from itertools import product
from math import inf

from gateway.fit.arrangement import Arrangement
from gateway.fit.blocks import Block, single
from gateway.fit.girth import section_half_girth
from gateway.fit.hull import slant
from gateway.fit.layout import Laid
from gateway.fit.pieces import Kind, Pose

_Way = tuple[float, float, Pose, Pose, bool, int]
"""Length, width, the two poses, whether the second is turned, and the join: 0 along, 1 across,
2 the first below, 3 the second below."""


def of_one(kind: Kind, max_up: float) -> Iterator[Arrangement]:
    """Every pose of a piece."""
    for pose in kind.poses:
        if pose.up <= max_up:
            width = section_half_girth(pose.end, pose.across, pose.up)
            length = section_half_girth(pose.side, pose.along, pose.up)
            laid = partial(_one, single(0, pose))
            yield Arrangement(width, length, (pose.along, pose.across, pose.up), laid)


def _one(block: Block) -> Sequence[Laid]:
    return [Laid(block, 0.0, 0.0, 0.0)]


def of_two(first: Kind, second: Kind, max_up: float) -> Iterator[Arrangement]:
    """The undominated ways to lay two boxes beside or on one another; they may be alike.

    A quarter turn of the whole is left to the caller.
    """
    numbers = (0, 0) if first == second else (0, 1)
    below = _below(first, second)
    found: list[_Way] = []
    for one, two in product(first.poses, second.poses):
        if one.up <= max_up and two.up <= max_up:
            found += _beside(one, two)
        if below and one.up + two.up <= max_up:
            length = stacked(one.along, one.up, two.along, two.up)
            width = stacked(one.across, one.up, two.across, two.up)
            found.append((length, width, one, two, False, 1 + below))
    found.sort(key=_need)
    least = inf
    for length, width, one, two, turned, join in found:
        if min(length, width) < least:
            least = min(length, width)
            size = _size(one, two.turned() if turned else two, min(join, 2))
            laid = partial(_laid, one, two, numbers, turned, join)
            yield Arrangement(width, length, size, laid)


def _need(way: _Way) -> tuple[float, float]:
    length, width = way[0], way[1]
    return (length, width) if length > width else (width, length)


def _beside(one: Pose, two: Pose) -> Iterator[_Way]:
    a1, b1, c1, c2 = one.along, one.across, one.up, two.up
    for turned in (False, True):
        a2, b2 = (two.across, two.along) if turned else (two.along, two.across)
        yield adjacent(a1, c1, a2, c2), behind(b1, c1, b2, c2), one, two, turned, 0
        yield behind(a1, c1, a2, c2), adjacent(b1, c1, b2, c2), one, two, turned, 1


def _size(one: Pose, two: Pose, axis: int) -> tuple[float, float, float]:
    pairs = (one.along, two.along), (one.across, two.across), (one.up, two.up)
    along, across, up = (sum(p) if side == axis else max(p) for side, p in enumerate(pairs))
    return along, across, up


def _below(one: Kind, two: Kind) -> int:
    """Which goes below, 1 or 2: what may bear the other, then the heavier; 0 where neither may."""
    bears = [n for n, (low, high) in enumerate(((one, two), (two, one)), 1) if low.bears(high)]
    if len(bears) < 2:
        return bears[0] if bears else 0
    return 1 if (one.mass_g or 0.0) >= (two.mass_g or 0.0) else 2


def _laid(
    one: Pose, two: Pose, numbers: tuple[int, int], turned: bool, join: int
) -> Sequence[Laid]:
    """The two at their places."""
    blocks = [single(numbers[0], one), single(numbers[1], two.turned() if turned else two)]
    if join == 3:
        blocks.reverse()
    low, high = blocks
    corners = [[0.0, 0.0, 0.0], [0.0, 0.0, 0.0]]
    axis = min(join, 2)
    for side in (0, 1):
        gap = low.size[side] - high.size[side]
        corners[0][side], corners[1][side] = max(-gap, 0.0) / 2, max(gap, 0.0) / 2
    corners[0][axis], corners[1][axis] = 0.0, low.size[axis]
    return [Laid(block, *corner) for block, corner in zip(blocks, corners, strict=True)]


def adjacent(p1: float, c1: float, p2: float, c2: float) -> float:
    """Half girth round two rectangles side by side on one floor."""
    tall = p1 if c1 >= c2 else p2
    return (p1 + p2 + c1 + c2 + tall + slant(p1 + p2 - tall, c1 - c2)) / 2


def behind(q1: float, c1: float, q2: float, c2: float) -> float:
    """Half girth round two rectangles one behind the other, centred, on one floor."""
    if q1 < q2:
        q1, c1, q2, c2 = q2, c2, q1, c1
    if c2 <= c1:
        return q1 + c1
    return (q1 + q2) / 2 + c1 + slant((q1 - q2) / 2, c2 - c1)


def stacked(w1: float, c1: float, w2: float, c2: float) -> float:
    """Half girth round two rectangles one on the other, centred."""
    if w1 < w2:
        w1, c1, w2, c2 = w2, c2, w1, c1
    return (w1 + w2) / 2 + c1 + slant((w1 - w2) / 2, c2)
