"""The retry budget is the kind's, and the site file overrides it value by value."""

from adapters.contract import Claims
from adapters.registry import find
from gateway.dispatch.budget import budget_of
from schemas.station import LineToStation, Retry, Station


def _station(retry: dict[str, float]) -> Station:
    return Station.model_validate(
        {"id": "s1", "lines": [{"kind": "tcp", "options": {}}], "retry": retry}
    )


def test_unstated_values_are_the_kinds() -> None:
    """A value that is stated counts even where it equals the general default."""
    kind = Claims(retry=Retry(attempts=3, first_wait_s=2.0, breaker_open_s=60.0))
    assert kind.retry == budget_of(Station(id="s1", lines=(LineToStation(kind="tcp"),)), kind)
    told = budget_of(_station({"first_wait_s": 0.2, "attempts": 9}), kind)
    assert Retry(attempts=9, first_wait_s=0.2, breaker_open_s=60.0) == told


def test_kinds_that_come_back_slowly_are_waited_for_longer() -> None:
    """A share or a controller needs seconds, a socket none: common practice, no source."""
    quick = find("tcp").claims.retry
    for name in ("folder", "mqtt", "modbus", "opcua"):
        slow = find(name).claims.retry
        assert slow.first_wait_s > quick.first_wait_s
        assert slow.breaker_open_s > quick.breaker_open_s
