"""The control chart against the handbook's worked example and against exact binomial sums."""

from fractions import Fraction
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.figures.control_chart import PChart, Sample, Signal, p_chart

# NIST/SEMATECH e-Handbook 6.3.3.2: chips on 30 wafers, 50 chips looked at on each.
WAFERS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22]
WAFERS += [8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]


def chart(counts: list[tuple[int, int]], centre: float | None = None) -> PChart:
    """Chart (bad, checked) pairs, labelled from 1."""
    samples = [Sample(str(at), checked, bad) for at, (bad, checked) in enumerate(counts, start=1)]
    made = p_chart(samples, centre)
    assert made is not None
    return made


def labels_with(made: PChart, signal: Signal) -> list[str]:
    return [point.label for point in made.points if signal in point.signals]


def test_published_wafers_have_the_published_limits_and_alarms() -> None:
    """Centre 0.2313, limits 0.0524 and 0.4102; wafers 15 and 23 lie outside."""
    made = chart([(bad, 50) for bad in WAFERS])
    assert 0.2313 == round(made.centre, 4)
    assert {(0.0524, 0.4102)} == {(round(p.lower, 4), round(p.upper, 4)) for p in made.points}
    assert ["15", "23"] == labels_with(made, Signal.BEYOND_LIMIT)
    assert not any(point.exact for point in made.points)


def test_each_sample_has_the_limits_of_its_own_size() -> None:
    """A larger sample has narrower limits round the same centre (e-Handbook 6.3.3.2)."""
    made = chart([(40, 400), (20, 200), (160, 1600)])
    widths = [point.upper - point.lower for point in made.points]
    assert 0.1 == made.centre
    assert [0.09, 0.1273, 0.045] == [round(width, 4) for width in widths]


def test_single_case_among_rare_ones_is_no_alarm() -> None:
    """One mislabel in a shift of 500, at one in 10 000, is chance; two are not (P = 0.0012)."""
    centre = 1e-4
    made = chart([(1, 500), (2, 500), (3, 500), (0, 500)], centre)
    assert all(point.exact for point in made.points)
    assert ["2", "3"] == labels_with(made, Signal.BEYOND_LIMIT)


def tail(least: int, trials: int, share: Fraction) -> Fraction:
    """The exact probability of `least` or more."""
    return 1 - sum(comb(trials, k) * share**k * (1 - share) ** (trials - k) for k in range(least))


@given(st.integers(1, 60), st.integers(0, 60), st.sampled_from([1, 5, 20, 60, 79]))
def test_exact_rule_is_the_binomial_tail(checked: int, bad: int, eightieths: int) -> None:
    """Where few are expected, a point is out exactly when its tail is below that of 3 sigma."""
    bad = min(bad, checked)
    share = Fraction(eightieths, 80)
    (point,) = chart([(bad, checked)], float(share)).points
    if not point.exact:
        return
    side = (
        tail(bad, checked, share)
        if share <= Fraction(1, 2)
        else tail(checked - bad, checked, 1 - share)
    )
    assert (side < Fraction(1349898, 10**9)) == (Signal.BEYOND_LIMIT in point.signals)


def z_scores(*scores: float) -> PChart:
    """Points at so many standard deviations: samples of 10 000 around one half (sigma 50)."""
    return chart([(round(5000 + 50 * z), 10_000) for z in scores], 0.5)


@pytest.mark.parametrize(
    ("scores", "signal", "expected"),
    [
        ((0, 3.02, -3.02, 3.0), Signal.BEYOND_LIMIT, ["2", "3"]),
        ((2.2, 0, 2.2, 0, 2.2), Signal.TWO_OF_THREE, ["3", "5"]),
        ((2.2, -2.2, 0, 0, 2.2), Signal.TWO_OF_THREE, []),
        ((2.0, 2.0, 2.0), Signal.TWO_OF_THREE, []),
        ((-2.2, -2.2), Signal.TWO_OF_THREE, ["2"]),
        ((1.2, 1.2, 0, 1.2, 1.2), Signal.FOUR_OF_FIVE, ["5"]),
        ((1.2, 1.2, 1.2, 1.2, 0.5), Signal.FOUR_OF_FIVE, ["4"]),
        ((1.2, -1.2, 1.2, 1.2, -1.2), Signal.FOUR_OF_FIVE, []),
        ((0.2,) * 9, Signal.EIGHT_ON_ONE_SIDE, ["8", "9"]),
        ((0.2,) * 7 + (0.0,) + (0.2,) * 7, Signal.EIGHT_ON_ONE_SIDE, []),
        ((-0.2,) * 8, Signal.EIGHT_ON_ONE_SIDE, ["8"]),
    ],
)
def test_rule_names_the_point_that_completes_it(
    scores: tuple[float, ...], signal: Signal, expected: list[str]
) -> None:
    """The four rules as e-Handbook 6.3.2 gives them; a point on a line is not beyond it."""
    assert expected == labels_with(z_scores(*scores), signal)


def test_samples_with_few_expected_break_a_run() -> None:
    """Many shifts without a single case are no signal of eight on one side."""
    made = chart([(0, 200)] * 20, 1e-3)
    assert () == made.out_of_control


@given(st.lists(st.integers(0, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))))
def test_any_counts_give_limits_round_the_centre(counts: list[tuple[int, int]]) -> None:
    """Limits hold the centre and stay shares; empty samples are left out."""
    samples = [Sample(str(at), checked, bad) for at, (bad, checked) in enumerate(counts)]
    made = p_chart(samples)
    if made is None:
        assert not any(checked for _, checked in counts)
        return
    assert len([1 for _, checked in counts if checked]) == len(made.points)
    for point in made.points:
        assert 0 <= point.lower <= point.upper <= 1
        assert point.exact or point.lower <= made.centre <= point.upper


def test_flawless_days_are_in_control_and_the_first_case_is_not() -> None:
    """With a centre of nothing bad, any bad one is out."""
    assert () == chart([(0, 100)] * 5).out_of_control
    assert ["2"] == labels_with(chart([(0, 100), (1, 100)], 0.0), Signal.BEYOND_LIMIT)


def test_impossible_samples_are_refused() -> None:
    """More bad than checked, or a centre that is no share, never become a chart."""
    with pytest.raises(ValueError, match="late shift: 3 bad of 2"):
        p_chart([Sample("late shift", 2, 3)])
    with pytest.raises(ValueError, match="centre"):
        p_chart([Sample("x", 2, 1)], centre=1.5)
