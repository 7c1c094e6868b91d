"""Figures for a monitoring system, in the Prometheus text format."""

from collections.abc import Callable, Iterable, Iterator
from datetime import datetime

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from schemas.queues import QueuesView, Target, WayIn

_SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10)


class Metrics:
    """The gateway's counters. Labels are stations and closed sets only, so they stay few."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._events = Counter(
            "bagrelay_events",
            "Events by type and outcome",
            ["type", "outcome"],
            registry=self.registry,
        )
        self._orders = Counter(
            "bagrelay_orders", "Orders decided, by outcome", ["outcome"], registry=self.registry
        )
        self._deliveries = Histogram(
            "bagrelay_delivery_seconds",
            "From handing a job to the adapter until its receipt",
            ["station"],
            buckets=_SECONDS,
            registry=self.registry,
        )
        self._faults = Counter(
            "bagrelay_delivery_faults",
            "Failed deliveries, by what dispatch did next",
            ["station", "next"],
            registry=self.registry,
        )
        self._scans = Counter(
            "bagrelay_scans",
            "Verifying scans, by verdict",
            ["station", "verdict"],
            registry=self.registry,
        )
        self._breaker = Gauge(
            "bagrelay_breaker_open",
            "1 while a station's breaker is open",
            ["station"],
            registry=self.registry,
        )
        self._lane = Gauge(
            "bagrelay_lane_jobs", "Jobs that wait in the lane", ["station"], registry=self.registry
        )
        self._ways = _Ways()
        self.registry.register(self._ways)

    def event(self, type_: str, outcome: str) -> None:
        """An event was answered."""
        self._events.labels(type_, outcome).inc()

    def order(self, outcome: str) -> None:
        """An order was decided."""
        self._orders.labels(outcome).inc()

    def delivered(self, station: str, seconds: float) -> None:
        """A delivery got its receipt."""
        self._deliveries.labels(station).observe(seconds)

    def fault(self, station: str, following: str) -> None:
        """A delivery failed."""
        self._faults.labels(station, following).inc()

    def scan(self, station: str, verdict: str) -> None:
        """A verifying scan was judged."""
        self._scans.labels(station, verdict).inc()

    def breaker(self, station: str, *, is_open: bool) -> None:
        """A breaker opened or closed."""
        self._breaker.labels(station).set(1 if is_open else 0)

    def lane(self, station: str, length: int) -> None:
        """The lane's length as last read."""
        self._lane.labels(station).set(length)

    def queues(self, view: QueuesView, now: datetime) -> None:
        """The ways in and out as they are now."""
        self._ways.view, self._ways.now = view, now

    def text(self) -> bytes:
        """Everything, in the text format."""
        return generate_latest(self.registry)


_WAYS_IN: tuple[tuple[type[Metric], str, str, Callable[[WayIn], float]], ...] = (
    (GaugeMetricFamily, "connected", "1 while it is connected", lambda way: way.connected),
    (GaugeMetricFamily, "in_hand", "Taken and not yet acknowledged", lambda way: way.in_hand),
    (CounterMetricFamily, "received", "Events made durable", lambda way: way.taken),
    (CounterMetricFamily, "refused", "Events given up with a reason", lambda way: way.refused),
    (CounterMetricFamily, "reconnects", "Connections after the first", lambda way: way.reconnects),
)


class _Ways(Collector):
    """The ways in and out as they were last seen: they count for themselves."""

    def __init__(self) -> None:
        self.view: QueuesView | None = None
        self.now: datetime | None = None

    def collect(self) -> Iterator[Metric]:
        """The figures for the text format."""
        if self.view is None or self.now is None:
            return
        for family, name, text, value in _WAYS_IN:
            told = [(way.way, value(way)) for way in self.view.ways_in]
            yield _filled(family, f"bagrelay_way_in_{name}", text, told)
        yield from _of_targets(self.view.targets, self.now)
        dead = "Events that wait for somebody to look at why they were refused"
        yield GaugeMetricFamily("bagrelay_dead_letters", dead, value=self.view.dead_letters)


def _of_targets(targets: Iterable[Target], now: datetime) -> Iterator[Metric]:
    def each(value: Callable[[Target], float]) -> list[tuple[str, float]]:
        return [(one.way, value(one)) for one in targets]

    def lag_s(one: Target) -> float:
        since = one.waiting_since
        return 0.0 if since is None else max(0.0, (now - since).total_seconds())

    for family, name, text, values in (
        (GaugeMetricFamily, "waiting", "Events that it has not been sent", each(_waiting)),
        (GaugeMetricFamily, "lag_seconds", "Age of the oldest of them", each(lag_s)),
        (CounterMetricFamily, "missed", "Events given up", each(lambda one: one.missed)),
        (CounterMetricFamily, "faults", "How often it took nothing", each(lambda one: one.faults)),
    ):
        yield _filled(family, f"bagrelay_target_{name}", text, values)


def _waiting(one: Target) -> float:
    return one.waiting


def _filled(
    family: type[Metric], name: str, text: str, values: Iterable[tuple[str, float]]
) -> Metric:
    made = family(name, text, labels=["way"])  # type: ignore[call-arg]
    for way, value in values:
        made.add_metric([way], value)  # type: ignore[attr-defined]
    return made
