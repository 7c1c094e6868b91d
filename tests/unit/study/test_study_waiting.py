"""Waiting: Erlang's formula against published numbers, the replay against the formula."""

import random
from bisect import insort
from math import exp

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.study.waiting import (
    mean_wait,
    probability_of_waiting,
    probability_within,
    share_within,
    waits,
)

unhurried = settings(deadline=None)


def test_formula_gives_bronson_s_worked_example() -> None:
    """Three servers, 300 arrivals a year, 2 days each of 365: mean queue 0.352, wait 0.43 days.

    Source: R. Bronson, Operations Research, 1982, problem 24.6, as quoted at
    web.ist.utl.pt/mcasquilho/compute/or/Fx-queuevars.php (looked up).
    """
    a_day = 300 / 365
    wait = mean_wait(3, a_day * 2, 2.0)
    assert wait is not None
    assert 0.43 == pytest.approx(wait, abs=0.005)
    assert 0.352 == pytest.approx(wait * a_day, abs=0.0005)


def test_formula_gives_the_call_centre_example() -> None:
    """360 calls in half an hour, 4 minutes each, 55 agents: load 48; 0.239 wait, 8.2 s in the mean.

    The example is widely quoted for Erlang C; question looked up, results from memory.
    """
    load = 360 / 1800 * 240
    assert 48 == pytest.approx(load)
    assert 0.239 == pytest.approx(probability_of_waiting(55, load), abs=0.0005)
    assert 8.2 == pytest.approx(mean_wait(55, load, 240), abs=0.05)


def test_formula_gives_four_ninths_for_three_servers_at_two_erlangs() -> None:
    """(2^3/3! * 3/(3-2)) / (1 + 2 + 2^2/2! + 2^3/3! * 3/(3-2)) = 4/9, from Erlang's own sum."""
    assert 4 / 9 == pytest.approx(probability_of_waiting(3, 2.0))


@unhurried
@given(st.floats(0.01, 0.99), st.floats(1, 600), st.floats(0, 3600))
def test_one_server_is_the_closed_form(load: float, service: float, limit: float) -> None:
    """One server: P(wait) is its load, mean wait rho s/(1-rho) (textbook M/M/1, from memory)."""
    assert load == pytest.approx(probability_of_waiting(1, load))
    assert load * service / (1 - load) == pytest.approx(mean_wait(1, load, service))
    late = load * exp(-(1 - load) * limit / service)
    assert 1 - late == pytest.approx(probability_within(1, load, service, limit))


@unhurried
@given(st.integers(1, 60), st.floats(0.01, 59), st.floats(1, 600), st.floats(0, 3600))
def test_more_servers_never_wait_longer_by_formula(
    servers: int, load: float, service: float, limit: float
) -> None:
    """One station more: no smaller share starts in time."""
    fewer = probability_within(servers, load, service, limit)
    assert fewer <= probability_within(servers + 1, load, service, limit) + 1e-12
    assert 0.0 <= fewer <= 1.0


def test_stations_that_never_catch_up_have_no_mean_wait() -> None:
    """At or above a load of one for each station, the queue grows for ever."""
    assert mean_wait(2, 2.0, 60) is None
    assert (1.0, 0.0) == (probability_of_waiting(2, 2.5), probability_within(2, 2.5, 60, 1e6))


@pytest.mark.parametrize(("servers", "load"), [(1, 0.6), (3, 2.0), (5, 4.0)])
def test_replay_of_random_orders_agrees_with_the_formula(servers: int, load: float) -> None:
    """Random arrivals and times, as the formula supposes them: the replay waits as it says."""
    chance = random.Random(9521234)
    now, arrivals, services = 0.0, [], []
    for _ in range(200_000):
        now += chance.expovariate(load / 60)
        arrivals.append(now)
        services.append(chance.expovariate(1 / 60))
    waited = waits(arrivals, services, servers)
    found = sum(wait > 0 for wait in waited) / len(waited)
    assert probability_of_waiting(servers, load) == pytest.approx(found, abs=0.02)
    assert mean_wait(servers, load, 60) == pytest.approx(sum(waited) / len(waited), rel=0.08)
    wanted = probability_within(servers, load, 60, 45)
    assert wanted == pytest.approx(share_within(waited, 45), abs=0.02)


def test_replay_of_four_orders_by_hand() -> None:
    """Two stations, 10 s each: 0 and 1 start at once, 2 waits to 10, 3 to 11, 30 waits not."""
    assert [0, 0, 8, 8, 0] == waits([0, 1, 2, 3, 30], [10] * 5, 2)


Queue = list[tuple[float, float]]
queues = st.lists(st.tuples(st.floats(0, 500), st.floats(0, 60)), max_size=40).map(sorted)


@unhurried
@given(queues, st.integers(1, 6))
def test_more_stations_never_wait_longer(queue: Queue, stations: int) -> None:
    """Not one order waits longer when a station is added."""
    arrivals, services = [at for at, _ in queue], [held for _, held in queue]
    fewer, more = waits(arrivals, services, stations), waits(arrivals, services, stations + 1)
    assert all(b <= a + 1e-6 for a, b in zip(fewer, more, strict=True))


@unhurried
@given(queues, st.integers(1, 5))
def test_replay_serves_first_come_first_served_and_no_more_at_once_than_there_are(
    queue: Queue, stations: int
) -> None:
    """Starts keep the order of arrival; an order starts as soon as a station is free; a second
    count of the orders under way at each start finds no more than there are stations."""
    arrivals, services = [at for at, _ in queue], [held for _, held in queue]
    waited = waits(arrivals, services, stations)
    starts = [at + wait for at, wait in zip(arrivals, waited, strict=True)]
    assert starts == sorted(starts)
    ends: list[float] = []
    for start, wait, held in zip(starts, waited, services, strict=True):
        under_way = [end for end in ends if end > start + 1e-9]
        assert len(under_way) < stations
        if wait > 1e-9:
            assert any(abs(end - start) < 1e-6 for end in ends)
        insort(ends, start + held)
