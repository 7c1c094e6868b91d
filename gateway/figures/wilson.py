"""Rates of rare events, with what a count of events does and does not say about them."""

from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist


@dataclass(frozen=True, slots=True)
class Interval:
    """Where a share lies, both ends from 0 to 1."""

    lower: float
    upper: float


def wilson(events: int, trials: int, confidence: float = 0.95) -> Interval:
    """Return the Wilson score interval of a share, without continuity correction.

    It stays inside 0 to 1 and means something for no events and for few, where the usual
    plus-or-minus does not. No trials say nothing: 0 to 1. Source: Wilson 1927; Newcombe 1998,
    Statistics in Medicine 17:857, method 3. Raises ValueError for impossible counts.
    """
    _check(events, trials, confidence)
    if trials == 0:
        return Interval(0.0, 1.0)
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    share = events / trials
    scale = 1 + z * z / trials
    middle = (share + z * z / (2 * trials)) / scale
    half = z * sqrt(share * (1 - share) / trials + z * z / (4 * trials * trials)) / scale
    lower = 0.0 if events == 0 else max(0.0, middle - half)
    upper = 1.0 if events == trials else min(1.0, middle + half)
    return Interval(lower, upper)


def bound_after_none(trials: int, confidence: float = 0.95) -> float:
    """Return the largest share that no event in so many trials leaves believable, one-sided.

    Exact: 1 - (1 - confidence)^(1 / trials). The rule of three, 3 / trials, is its short form at
    95 % (Hanley and Lippman-Hand 1983, from memory). 1.0 for no trials.
    """
    _check(0, trials, confidence)
    return 1.0 if trials == 0 else float(1 - (1 - confidence) ** (1 / trials))


@dataclass(frozen=True, slots=True)
class Rate:
    """So many events in so many trials."""

    events: int
    trials: int

    def __post_init__(self) -> None:
        """Refuse impossible counts."""
        _check(self.events, self.trials, 0.95)

    @property
    def share(self) -> float | None:
        """Events per trial; None where nothing was tried."""
        return self.events / self.trials if self.trials else None

    @property
    def per_million(self) -> float | None:
        """Events per million trials (DPMO with one opportunity per trial)."""
        return 1e6 * self.events / self.trials if self.trials else None

    def interval(self, confidence: float = 0.95) -> Interval:
        """The Wilson interval of the share."""
        return wilson(self.events, self.trials, confidence)


def dpmo(defects: int, units: int, opportunities_per_unit: int = 1) -> float | None:
    """Return defects per million opportunities; None for no units.

    Source: the usual definition, 1e6 x defects / (units x opportunities); a unit may have
    several defects. Raises ValueError for negative counts.
    """
    if defects < 0 or units < 0 or opportunities_per_unit < 1:
        raise ValueError("Defects and units are counts from 0, opportunities from 1.")
    return 1e6 * defects / (units * opportunities_per_unit) if units else None


def _check(events: int, trials: int, confidence: float) -> None:
    if not 0 <= events <= trials:
        raise ValueError(f"{events} events in {trials} trials: events run from 0 to the trials.")
    if not 0 < confidence < 1:
        raise ValueError(f"A confidence lies between 0 and 1, not at {confidence}.")
