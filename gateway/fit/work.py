"""How much may be searched for one order, so that no order keeps a station waiting."""

from gateway.fit.front import BRIEF, FAIR, QUICK, THOROUGH, Patience, effort
from gateway.fit.pieces import Kind

_FOR_AN_ORDER = 800.0
"""In the unit of `effort`: well under a second. Counted, not timed, so that the same order gets
the same answer on every machine and on every day."""
_AT_ONCE = 0.35
"""The share of what is left that one thorough search may take."""


class Work:
    """What may still be searched. A search out of the cache counts like any other."""

    def __init__(self, left: float = _FOR_AN_ORDER) -> None:
        self._left = left

    def share(self, among: int) -> "Work":
        """One of so many equal shares, taken off what is left."""
        mine = Work(self._left / among)
        self._left -= mine._left
        return mine

    def give_back(self, share: "Work") -> None:
        """What is left of a share."""
        self._left += share._left

    @property
    def left(self) -> float:
        """In the unit of `effort`."""
        return self._left

    def spend(
        self, kinds: tuple[tuple[Kind, int], ...], wanted: Patience | None = None
    ) -> Patience | None:
        """How patient a search for these pieces may be, taken off what is left; none where too
        little is. Without a wish it is as patient as is sensible."""
        for patience in (wanted,) if wanted else (THOROUGH, FAIR, BRIEF, QUICK):
            cost = effort(kinds, patience)
            if cost <= self._left * (1.0 if patience is QUICK else _AT_ONCE):
                self._left -= cost
                return patience
        return None
