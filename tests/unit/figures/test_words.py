"""Figures are worded so that a reader takes from them what they can carry."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from gateway.figures import words
from gateway.figures.chart_picture import chart_picture
from gateway.figures.control_chart import Sample, Signal, p_chart
from gateway.figures.settling import SettleTimes
from gateway.figures.wilson import Rate


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [
        (0, "0 s"),
        (59.6, "1 min"),
        (61, "1 min 1 s"),
        (3600, "1 h"),
        (3661, "1 h 1 min"),
        (86_400 + 7200, "1 d 2 h"),
    ],
)
def test_durations_have_their_two_largest_units(seconds: float, expected: str) -> None:
    """Short enough to read, never zero for something."""
    assert expected == words.duration(seconds)


@pytest.mark.parametrize(
    ("rate", "expected"),
    [
        (Rate(0, 0), "nothing checked"),
        (Rate(0, 3000), "none in 3\u202f000; up to 998 per million could be (95 %)"),
        (
            Rate(3, 1000),
            "3 in 1\u202f000: 3\u202f000 per million (1\u202f021 to 8\u202f783 at 95 %)",
        ),
    ],
)
def test_rare_events_are_worded_with_what_the_count_allows(rate: Rate, expected: str) -> None:
    """None found is not none there (rule of three); few found is a wide interval."""
    assert expected == words.per_million(rate)


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        (SettleTimes(0, 0, None, None), "no cases"),
        (SettleTimes(9, 0, 300, 540), "half within 5 min, nine in ten within 9 min; 9 settled"),
        (SettleTimes(9, 2, 360, None), "half within 6 min; 9 settled, 2 open"),
        (SettleTimes(0, 3, None, None), "too many open to tell; 0 settled, 3 open"),
    ],
)
def test_settling_never_hides_open_cases(times: SettleTimes, expected: str) -> None:
    """What the open cases make unknowable is left out, and they are counted."""
    assert words.settling(times).startswith(expected)


def test_masses_shares_and_times_carry_their_units() -> None:
    """Grams, kilograms, per cent, local time."""
    assert ("999.9 g", "1.00 kg", "-2.50 kg") == tuple(map(words.mass, (999.94, 1000, -2500)))
    assert ("12.5 %", "not known") == (words.percent(0.125), words.percent(None))
    assert "50.0 % of 2 (9.5 % to 90.5 % at 95 %)" == words.share(Rate(1, 2))
    zone = ZoneInfo("Europe/Berlin")
    assert "2026-11-25 09:00" == words.local(datetime(2026, 11, 25, 8, tzinfo=UTC), zone)
    assert set(Signal) == set(words.SIGNAL_WORDS)


def test_chart_is_drawn_to_scale_within_its_frame() -> None:
    """Every dot and limit lies inside; a higher share lies higher; limits step with the sample."""
    chart = p_chart([Sample("a", 400, 4), Sample("b", 4000, 60), Sample("c", 400, 30)])
    assert chart
    drawn = chart_picture(chart, 300, 100)
    spots = [*drawn.upper, *drawn.lower, *((dot.x, dot.y) for dot in drawn.dots)]
    assert all(0 <= x <= 300 and 0 <= y <= 100 for x, y in spots)
    assert [False, False, True] == [dot.out for dot in drawn.dots]
    assert drawn.dots[2].y < drawn.dots[1].y < drawn.dots[0].y
    assert [0, 100, 100, 200, 200, 300] == [x for x, _ in drawn.upper]
    assert "b: 60 of 4000" == drawn.dots[1].label


def test_chart_of_nothing_bad_still_has_a_scale() -> None:
    """All noughts do not divide by nought."""
    chart = p_chart([Sample("a", 10, 0)], centre=0.0)
    assert chart
    assert (100.0, 1e6) == (
        chart_picture(chart, 300, 100).dots[0].y,
        chart_picture(chart, 3, 1).top,
    )
