"""How long cases take to settle, told without forgetting those that are still open."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor


@dataclass(frozen=True, slots=True)
class SettleTimes:
    """Median and 90th percentile in seconds; None where not enough cases are settled to tell."""

    settled: int
    still_open: int
    median_s: float | None
    p90_s: float | None


def settle_times(settled_s: Sequence[float], still_open: int = 0) -> SettleTimes:
    """Return the percentiles over all cases.

    An open case counts as longer than every settled one: leaving it out would flatter the figure
    just when the long ones pile up.
    """
    ordered = sorted(settled_s)
    count = len(ordered) + still_open
    return SettleTimes(
        len(ordered), still_open, _percentile(ordered, count, 0.5), _percentile(ordered, count, 0.9)
    )


def percentile(values: Sequence[float], share: float) -> float | None:
    """Return the value below which `share` of the values lie; None for no values.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.6.2: interpolation at
    rank share x (N + 1), kept to the smallest and largest value at the ends.
    """
    return _percentile(sorted(values), len(values), share)


def _percentile(ordered: Sequence[float], count: int, share: float) -> float | None:
    """The percentile of `count` values of which only the smallest are known."""
    if count == 0:
        return None
    rank = min(max(share * (count + 1), 1.0), float(count))
    below = floor(rank)
    part = rank - below
    if below > len(ordered) or (part > 0 and below + 1 > len(ordered)):
        return None
    value = ordered[below - 1]
    return value if part == 0 else value + part * (ordered[below] - value)
