"""A station's breaker: faults in a row are counted, and after too many the station is let be."""

import structlog
from tenacity import RetryCallState
from tenacity.wait import wait_random_exponential

from adapters.errors import FateUnknown, NeedsPerson, NothingSent, StationFault
from gateway.dispatch.lane_view import LaneView
from gateway.metrics import Metrics
from schemas.station import Retry

log = structlog.get_logger(__name__)


class Breaker:
    """Counts in the lane's view, which pages and probes see too."""

    def __init__(self, station: str, budget: Retry, view: LaneView, metrics: Metrics) -> None:
        self.budget = budget
        self._station = station
        self._view = view
        self._metrics = metrics
        self._log = log.bind(station=station)

    @property
    def is_failing(self) -> bool:
        """Whether there were so many faults in a row that it is to open."""
        return self._view.faults_in_a_row >= self.budget.breaker_faults

    def wait_s(self, state: RetryCallState) -> float:
        """How long before the next try."""
        spread = wait_random_exponential(
            multiplier=self.budget.first_wait_s, max=self.budget.longest_wait_s
        )
        return float(spread(state))

    def note(self, fault: StationFault) -> None:
        """One fault more."""
        view = self._view
        view.faults_in_a_row += 1
        view.failed_tries += 1
        view.waits_for = fault.what
        if view.connected and isinstance(fault, (NothingSent, FateUnknown, NeedsPerson)):
            view.connected = False
            self._log.warning("station.lost", fault=type(fault).__name__, text=fault.what)

    def recovered(self) -> None:
        """It takes labels: nothing of before counts."""
        view = self._view
        view.faults_in_a_row = 0
        view.failed_tries = 0
        view.waits_for = ""
        if view.breaker_open:
            view.breaker_open = False
            self._metrics.breaker(self._station, is_open=False)

    def opened(self) -> None:
        """The budget is spent."""
        self._view.breaker_open = True
        self._metrics.breaker(self._station, is_open=True)
        self._log.warning("station.breaker_open", seconds=self.budget.breaker_open_s)

    def half_open(self) -> None:
        """One fault more opens it again, one success forgets them all."""
        most = self.budget.breaker_faults - 1
        self._view.faults_in_a_row = min(self._view.faults_in_a_row, most)
