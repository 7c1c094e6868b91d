"""Pareto lists: which few kinds make up most of the cases."""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ParetoBar:
    """One kind, its count, its share of all, and the share of all kinds down to it."""

    kind: str
    count: int
    share: float
    cumulative: float


def pareto(counts: Mapping[str, int]) -> tuple[ParetoBar, ...]:
    """Return the kinds by falling count, names breaking ties; kinds without cases are left out.

    Raises ValueError for a negative count.
    """
    if any(count < 0 for count in counts.values()):
        raise ValueError("A kind cannot have fewer than 0 cases.")
    total = sum(counts.values())
    bars, reached = [], 0
    for kind, count in sorted(counts.items(), key=lambda one: (-one[1], one[0])):
        if count:
            reached += count
            bars.append(ParetoBar(kind, count, count / total, reached / total))
    return tuple(bars)
