"""Figures for a monitoring system, in the Prometheus text format."""

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest

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

    def text(self) -> bytes:
        """Everything, in the text format."""
        return generate_latest(self.registry)
