"""An order needs no less than any part of it: the front of the whole, cut by those of its parts.

The search for few pieces looks at every stacking but lays each out in one way only, so that it can
miss a layout of some pieces that it finds by chance for the same pieces and one more. The larger
order then has to make do with what the smaller one needs: a bag that is turned down for a part is
turned down for the whole.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace

from gateway.fit.arrangement import Arrangement

_HAIR_MM = 1e-9


def undominated(found: list[Arrangement]) -> list[Arrangement]:
    """By rising width and falling length those that no other is within, turned or not."""
    found = found + [one.quarter_turn() for one in found]
    found.sort(key=lambda one: (one.width, one.length))
    front: list[Arrangement] = []
    for one in found:
        if not front or one.length < front[-1].length - _HAIR_MM:
            front.append(one)
    return front


def cut(own: list[Arrangement], parts: Sequence[Sequence[Arrangement]]) -> list[Arrangement]:
    """A front where no bag holds the whole that does not hold each part."""
    fronts = [own, *parts]
    if not all(fronts):
        return []
    kept: list[Arrangement] = []
    for width in sorted({one.width for front in fronts for one in front}):
        at = [bisect_right(front, width, key=_width) - 1 for front in fronts]
        if min(at) < 0:
            continue
        length = max(front[i].length for front, i in zip(fronts, at, strict=True))
        if not kept or length < kept[-1].length - _HAIR_MM:
            kept.append(replace(own[at[0]], width=width, length=length))
    return kept


def _width(one: Arrangement) -> float:
    return one.width
