"""A station's retry budget and breaker: its kind's, but for what the site file states."""

from adapters.contract import Claims
from schemas.station import Retry, Station


def budget_of(station: Station, claims: Claims) -> Retry:
    """The budget that the station's lane keeps to."""
    stated = {name: getattr(station.retry, name) for name in station.retry.model_fields_set}
    return claims.retry.model_copy(update=stated)
