"""A control chart of shares (p-chart) whose samples differ in size.

Limits: centre +- 3 sqrt(centre (1 - centre) / n), n each sample's own, cut at 0 and 1. Source:
NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.3.2. The rules that name a point
out of control are the Western Electric rules as that handbook gives them in section 6.3.2, read
on each point's distance from the centre in its own standard deviations.

Mislabels are rare: a sample whose expected count of bad or of good ones is below 5 is not near
enough to a normal distribution for such limits (common practice, no source), and one single case
would always be outside. There the exact binomial tail decides, at the probability that the three
standard deviations stand for, and the sample takes no part in the rules about runs.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import exp, lgamma, log, log1p, sqrt
from statistics import NormalDist

_TAIL = 1 - NormalDist().cdf(3)
_EXPECTED_AT_LEAST = 5.0
_ROUNDING = 1e-9


class Signal(StrEnum):
    """Why a point is out of control."""

    BEYOND_LIMIT = "beyond_limit"
    """Above or below three standard deviations."""
    TWO_OF_THREE = "two_of_three"
    """Two of three in a row beyond two standard deviations, same side."""
    FOUR_OF_FIVE = "four_of_five"
    """Four of five in a row beyond one standard deviation, same side."""
    EIGHT_ON_ONE_SIDE = "eight_on_one_side"
    """Eight in a row on one side of the centre."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One sample, such as a station's shift: so many checked, so many of them bad."""

    label: str
    checked: int
    bad: int


@dataclass(frozen=True, slots=True)
class Point:
    """A sample on the chart. Share and limits run from 0 to 1."""

    label: str
    checked: int
    bad: int
    share: float
    lower: float
    upper: float
    exact: bool
    """Too few expected for limits: the binomial tail decided."""
    signals: tuple[Signal, ...] = ()


@dataclass(frozen=True, slots=True)
class PChart:
    """The chart: its centre line and its points in order."""

    centre: float
    points: tuple[Point, ...]

    @property
    def out_of_control(self) -> tuple[Point, ...]:
        """The points with a signal."""
        return tuple(point for point in self.points if point.signals)


def p_chart(samples: Sequence[Sample], centre: float | None = None) -> PChart | None:
    """Chart the samples; those that checked nothing are left out, None where none is left.

    `centre` is the share of an earlier, settled time. Left empty, it is that of these samples
    together, which a large upset among them pulls along. Raises ValueError for impossible counts.
    """
    for sample in samples:
        if not 0 <= sample.bad <= sample.checked:
            raise ValueError(f"{sample.label}: {sample.bad} bad of {sample.checked} checked.")
    used = [sample for sample in samples if sample.checked]
    if not used:
        return None
    if centre is None:
        centre = sum(sample.bad for sample in used) / sum(sample.checked for sample in used)
    if not 0 <= centre <= 1:
        raise ValueError(f"The centre line is a share from 0 to 1, not {centre}.")
    deviations = [_deviation(sample, centre) for sample in used]
    return PChart(
        centre,
        tuple(_point(sample, at, deviations, centre) for at, sample in enumerate(used)),
    )


def _deviation(sample: Sample, centre: float) -> float | None:
    """Standard deviations from the centre; None where too few are expected to speak of any."""
    if _too_few(sample.checked, centre):
        return None
    spread = sqrt(centre * (1 - centre) / sample.checked)
    return (sample.bad / sample.checked - centre) / spread


def _too_few(checked: int, centre: float) -> bool:
    return checked * min(centre, 1 - centre) < _EXPECTED_AT_LEAST


def _point(sample: Sample, at: int, deviations: Sequence[float | None], centre: float) -> Point:
    checked, share = sample.checked, sample.bad / sample.checked
    exact = deviations[at] is None
    lower, upper = (_exact_limits if exact else _limits)(checked, centre)
    signals = [Signal.BEYOND_LIMIT] if not lower - _ROUNDING <= share <= upper + _ROUNDING else []
    signals += [rule for rule, run in _RUNS.items() if _completes(run, deviations[: at + 1])]
    return Point(sample.label, checked, sample.bad, share, lower, upper, exact, tuple(signals))


def _limits(checked: int, centre: float) -> tuple[float, float]:
    spread = 3 * sqrt(centre * (1 - centre) / checked)
    return max(0.0, centre - spread), min(1.0, centre + spread)


def _exact_limits(checked: int, centre: float) -> tuple[float, float]:
    """The share above which (below, for a centre near 1) a count is as rare as beyond 3 sigma."""
    rare = min(centre, 1 - centre)
    most, beyond = 0, 1 - _binomial(0, checked, rare)
    while beyond >= _TAIL:
        most += 1
        beyond -= _binomial(most, checked, rare)
    return (0.0, most / checked) if centre <= 0.5 else ((checked - most) / checked, 1.0)


def _binomial(count: int, trials: int, share: float) -> float:
    """The probability of exactly `count`, by logarithms so that large numbers of trials work."""
    if share == 0:
        return 1.0 if count == 0 else 0.0
    ways = lgamma(trials + 1) - lgamma(count + 1) - lgamma(trials - count + 1)
    return exp(ways + count * log(share) + (trials - count) * log1p(-share))


@dataclass(frozen=True, slots=True)
class _Run:
    """So many of the last points, the newest among them, beyond so many deviations, one side."""

    needed: int
    window: int
    beyond: float


_RUNS = {
    Signal.TWO_OF_THREE: _Run(2, 3, 2.0),
    Signal.FOUR_OF_FIVE: _Run(4, 5, 1.0),
    Signal.EIGHT_ON_ONE_SIDE: _Run(8, 8, 0.0),
}


def _completes(run: _Run, deviations: Sequence[float | None]) -> bool:
    last = deviations[-run.window :]
    known = [z for z in last if z is not None]
    if len(known) < len(last):
        return False
    return any(
        side * known[-1] > run.beyond + _ROUNDING
        and sum(side * z > run.beyond + _ROUNDING for z in known) >= run.needed
        for side in (1, -1)
    )
