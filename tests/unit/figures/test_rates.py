"""Rates, Pareto lists and settling times against published values."""

from math import isclose

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.figures.pareto import ParetoBar, pareto
from gateway.figures.settling import SettleTimes, percentile, settle_times
from gateway.figures.wilson import Interval, Rate, bound_after_none, dpmo, wilson

COUNTS = st.integers(0, 10_000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize(
    ("events", "trials", "lower", "upper"),
    [
        # Newcombe 1998, Statistics in Medicine 17:857, Table I (values from memory).
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
        # Computed by two statistics libraries that agree to four places.
        (0, 100, 0.0, 0.0370),
        (0, 300, 0.0, 0.0126),
        (3, 1000, 0.0010, 0.0088),
        (10, 10, 0.7225, 1.0),
    ],
)
def test_published_counts_have_the_published_interval(
    events: int, trials: int, lower: float, upper: float
) -> None:
    """The Wilson interval at 95 % to the four places that are printed."""
    found = wilson(events, trials)
    assert (lower, upper) == (round(found.lower, 4), round(found.upper, 4))


@given(COUNTS)
def test_interval_holds_the_share_and_stays_a_share(counts: tuple[int, int]) -> None:
    """The observed share lies inside, the ends stay within 0 and 1, the mirror image mirrors."""
    events, trials = counts
    found, mirrored = wilson(events, trials), wilson(trials - events, trials)
    share = events / trials if trials else 0.5
    assert 0 <= found.lower <= share <= found.upper <= 1
    assert isclose(found.lower, 1 - mirrored.upper, abs_tol=1e-12)


@given(COUNTS)
def test_more_confidence_is_never_narrower(counts: tuple[int, int]) -> None:
    """A 99 % interval holds the 95 % one."""
    sure, surer = wilson(*counts), wilson(*counts, confidence=0.99)
    assert surer.lower <= sure.lower
    assert sure.upper <= surer.upper


def test_nothing_tried_says_nothing() -> None:
    """Without trials there is no rate, and the interval is everything."""
    rate = Rate(0, 0)
    assert (None, None) == (rate.share, rate.per_million)
    assert Interval(0.0, 1.0) == rate.interval()
    assert 1.0 == bound_after_none(0)
    assert None is dpmo(0, 0)


@pytest.mark.parametrize(
    ("trials", "exact"),
    [(30, 0.0950), (100, 0.02951), (300, 0.009936), (1000, 0.002991), (3000, 0.000998)],
)
def test_no_event_leaves_the_exact_bound_near_three_in_n(trials: int, exact: float) -> None:
    """The rule of three's exact form (computed by a statistics library), and its short form."""
    found = bound_after_none(trials)
    assert isclose(exact, found, rel_tol=1e-3)
    assert found < 3 / trials < found * 1.06


@pytest.mark.parametrize(
    ("defects", "units", "opportunities", "expected"),
    [(34, 10_000_000, 1, 3.4), (621, 100_000, 1, 6210.0), (2, 500, 4, 1000.0)],
)
def test_dpmo_counts_opportunities(
    defects: int, units: int, opportunities: int, expected: float
) -> None:
    """1e6 x defects over units times opportunities (the first two are the well-known levels)."""
    assert expected == dpmo(defects, units, opportunities)


def test_impossible_counts_are_refused() -> None:
    """More events than trials, negative counts and wild confidences never become a figure."""
    for events, trials in ((3, 2), (-1, 2), (0, -1)):
        with pytest.raises(ValueError, match="events run from"):
            Rate(events, trials)
    with pytest.raises(ValueError, match="confidence"):
        wilson(1, 2, confidence=1.0)
    with pytest.raises(ValueError, match="counts"):
        dpmo(-1, 5)
    with pytest.raises(ValueError, match="fewer than 0"):
        pareto({"shifted": -1})


def test_kinds_stand_by_falling_count() -> None:
    """The largest kind first, ties by name, empty kinds left out, the last cumulates to all."""
    bars = pareto({"no_read": 2, "shifted": 5, "stale": 0, "other": 2, "repeat": 1})
    assert ("shifted", "no_read", "other", "repeat") == tuple(bar.kind for bar in bars)
    assert ParetoBar("shifted", 5, 0.5, 0.5) == bars[0]
    assert 1.0 == bars[-1].cumulative
    assert () == pareto({})


# NIST/SEMATECH e-Handbook 7.2.6.2, gauge study: the 90th percentile is 95.1981 (from memory).
GAUGE = [
    95.1772,
    95.1567,
    95.1937,
    95.1959,
    95.1442,
    95.0610,
    95.1591,
    95.1195,
    95.1065,
    95.0925,
    95.1990,
    95.1682,
]


def test_published_sample_has_the_published_percentile() -> None:
    """The worked example of the handbook's section on percentiles."""
    assert 95.1981 == round(percentile(GAUGE, 0.9) or 0, 4)


@pytest.mark.parametrize(
    ("values", "share", "expected"),
    [([], 0.5, None), ([7.0], 0.9, 7.0), ([1.0, 2.0], 0.5, 1.5), ([1.0, 2.0], 0.9, 2.0)],
)
def test_few_values_never_reach_beyond_themselves(
    values: list[float], share: float, expected: float | None
) -> None:
    """A percentile of few values stays between the smallest and the largest."""
    assert expected == percentile(values, share)


def test_open_cases_count_as_the_longest() -> None:
    """Cases still open push the figures up, and out of reach where they are the tail."""
    settled = [float(minute) for minute in range(1, 10)]
    assert SettleTimes(9, 0, 5.0, 9.0) == settle_times(settled)
    assert SettleTimes(9, 2, 6.0, None) == settle_times(settled, still_open=2)
    assert SettleTimes(0, 3, None, None) == settle_times([], still_open=3)
    assert SettleTimes(2, 2, None, None) == settle_times([1.0, 2.0], still_open=2)
    assert SettleTimes(0, 0, None, None) == settle_times([])


@given(st.lists(st.floats(0, 1e6), min_size=1), st.integers(0, 50))
def test_open_cases_never_flatter(settled: list[float], still_open: int) -> None:
    """With more open cases no percentile gets smaller."""
    without, with_open = settle_times(settled), settle_times(settled, still_open)
    for less, more in (
        (without.median_s, with_open.median_s),
        (without.p90_s, with_open.p90_s),
    ):
        assert more is None or (less is not None and less <= more + 1e-9)
