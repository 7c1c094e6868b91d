"""Waiting for a free station: the orders' own times replayed, or Erlang's formula for a rate.

Erlang C after A. K. Erlang, "Solution of some problems in the theory of probabilities of
significance in automatic telephone exchanges", 1917 (from memory).
"""

import heapq
from collections.abc import Sequence
from math import exp


def waits(arrivals_s: Sequence[float], services_s: Sequence[float], stations: int) -> list[float]:
    """How long each order waits for a station, s; first come first served.

    Arrivals rise. An order takes the station that is free first and holds it for its service.
    """
    free = [arrivals_s[0] if arrivals_s else 0.0] * stations
    found = []
    for arrival, service in zip(arrivals_s, services_s, strict=True):
        start = max(arrival, free[0])
        heapq.heapreplace(free, start + service)
        found.append(start - arrival)
    return found


def share_within(waited_s: Sequence[float], limit_s: float) -> float:
    """Share of orders that waited no longer than this; all of none."""
    if not waited_s:
        return 1.0
    return sum(wait <= limit_s for wait in waited_s) / len(waited_s)


def probability_of_waiting(stations: int, load: float) -> float:
    """Erlang C: the share of orders that find every station busy.

    `load` in erlangs is orders per second times seconds per order. 1 where the stations never
    catch up. Found by way of Erlang B's recurrence, whose numbers stay small.
    """
    if load >= stations:
        return 1.0
    blocked = 1.0
    for number in range(1, stations + 1):
        blocked = load * blocked / (number + load * blocked)
    return blocked / (1.0 - load / stations * (1.0 - blocked))


def mean_wait(stations: int, load: float, service_s: float) -> float | None:
    """Mean wait of all orders, s; none where the stations never catch up."""
    if load >= stations:
        return None
    return probability_of_waiting(stations, load) * service_s / (stations - load)


def probability_within(stations: int, load: float, service_s: float, limit_s: float) -> float:
    """Share of orders that wait no longer than the limit, s."""
    if load >= stations:
        return 0.0
    late = probability_of_waiting(stations, load)
    return 1.0 - late * exp(-(stations - load) * limit_s / service_s)
