"""What whoever looks at a page may do, so that pages offer nothing that would be refused."""

from collections.abc import Callable

from fastapi import Request

from gateway.access.caller import Caller
from gateway.access.paths import Paths
from gateway.access.roles import Bound

May = Callable[[str, str], bool]
"""Whether a method and path are allowed."""

_PATHS = Paths()


def may_of(request: Request) -> May:
    """By the permission table alone; whether a job or an order is at one's own station, the door
    finds out when it is asked."""
    caller = getattr(request.state, "caller", None)
    if not isinstance(caller, Caller) or caller.role is None:
        return lambda _method, _path: True

    def may(method: str, path: str) -> bool:
        found = _PATHS.find(method, path)
        if found is None or caller.role not in found.row.roles:
            return False
        if not caller.stations:
            return True
        if found.row.bound is Bound.STATION:
            return found.values["station_id"] in caller.stations
        return found.row.bound is not Bound.ROOM

    return may
