"""A ceiling over whole stackings, and whether an envelope could still end up below it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

_LENIENCE = 1.06
"""Whole stackings up to this far above the stair are looked at: their hull may be below it."""

_HAIR = 1 + 1e-9
"""The whole stackings that make the stair must not be lost to rounding."""


@dataclass(frozen=True, slots=True)
class Ceiling:
    """Corners (large, small) under a stair of whole stackings that are there to be had.

    A whole stacking with sides A <= B and height C has large = B + C and small = A + C. It comes
    below the stair when it lies under one of the corners, and then its volume A * B * C is at
    most (X - C) (Y - C) C for that corner (X, Y). This is greatest at C = `best`.
    """

    large: Floats
    small: Floats
    best: Floats
    goods: float
    """Volume of all the goods, mm3."""
    roomiest: float
    """The greatest volume under any corner, mm3."""

    @classmethod
    def over(
        cls, large: Floats, small: Floats, goods: float, least: float, reach: float
    ) -> "Ceiling":
        """The ceiling of some whole stackings. No need is below `least`, none above `reach` is
        worth having."""
        steps = stair(large, small)
        large, small = large[steps], small[steps]
        large, small = large * _HAIR, small * _HAIR
        x = np.append(large, max(reach, large[-1]))
        y = np.concatenate((large[:1], small))
        best = (x + y - np.sqrt(x * x - x * y + y * y)) / 3
        most = (x - best) * (y - best) * best
        of_use = (most >= goods) & (y >= least)
        roomiest = float(most.max(initial=0.0))
        return cls(x[of_use], y[of_use], best[of_use], goods * (1 - 1e-9), roomiest)

    def may_come_below(self, low: Floats, high: Floats, up: Floats, within: Floats) -> Flags:
        """Whether a whole stacking round an envelope could come below the stair.

        `within` is the volume of the goods inside the envelope; the rest of it is lost, and the
        goods still missing go beside it. All arrays have one entry for each envelope.
        """
        volume = self.goods - within + low * high * up
        alive = volume <= self.roomiest
        some = np.nonzero(alive)[0]
        low, high, up, volume = (x[some, None] for x in (low, high, up, volume))
        tallest = np.minimum(self.large - high, self.small - low)
        height = np.minimum(np.maximum(self.best, up), tallest)
        room = self.large - height
        room *= self.small - height
        room *= height
        alive[some] = np.logical_or.reduce((tallest >= up) & (room >= volume), axis=1)
        return alive


def near(large: Floats, small: Floats) -> Flags:
    """Whether each of some whole stackings lies on the stair of them all, or not far above it."""
    steps = stair(large, small)
    step = np.searchsorted(large[steps] * _LENIENCE, large, side="right") - 1
    return np.where(step < 0, True, small < small[steps][step] * _LENIENCE)


def stair(large: Floats, small: Floats) -> Ints:
    """Positions of those that no other is within, by rising `large`; of equals the first."""
    order = np.lexsort((small, large))
    falling = small[order]
    first = np.ones(len(order), dtype=bool)
    first[1:] = falling[1:] < np.minimum.accumulate(falling)[:-1]
    return order[first]
