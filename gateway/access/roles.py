"""The permission table: which role may use which route. What isn't in it, nobody may use.

Each route stands here once, by method and path. A test walks every route of the application and
fails for one that is missing, so a new route needs its line here before it works.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from schemas.access import AccessRole
from schemas.events import EventType


class Bound(StrEnum):
    """How a route is bound to a station, for callers that are limited to some stations."""

    OPEN = "open"
    """Anybody, without being known."""
    ROOM = "room"
    """Spans the room and tells who ordered what: not for callers limited to some stations."""
    FLOOR = "floor"
    """Spans the room but names no recipient: also for callers limited to some stations."""
    STATION = "station"
    """The path names the station."""
    JOB = "job"
    """The path names a job; its station counts."""
    ORDER = "order"
    """The path names an order; its station counts."""
    PARCEL = "parcel"
    """The path names a parcel; its order's station counts."""
    CASE = "case"
    """The path names a mislabel case; its station counts."""
    INSIDE = "inside"
    """The body names the station; the route checks it with `Caller.check_station`."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table."""

    roles: frozenset[AccessRole]
    bound: Bound


Table = Mapping[tuple[str, str], Row]

_SENDER, _STATION = AccessRole.SENDER, AccessRole.STATION
_OPERATOR, _SUPERVISOR, _INTEGRATOR = (
    AccessRole.OPERATOR,
    AccessRole.SUPERVISOR,
    AccessRole.INTEGRATOR,
)


def _row(bound: Bound, *roles: AccessRole) -> Row:
    return Row(frozenset(roles), bound)


_ANYBODY = _row(Bound.OPEN)
_EVENTS = _row(Bound.INSIDE, _SENDER, _STATION, _OPERATOR, _SUPERVISOR)
_PERSON_AT_STATION = _row(Bound.STATION, _OPERATOR, _SUPERVISOR)
_PERSON_ON_JOB = _row(Bound.JOB, _OPERATOR, _SUPERVISOR)
_LEADS = _row(Bound.ROOM, _SUPERVISOR)
_LEADS_OR_WIRES = _row(Bound.ROOM, _SUPERVISOR, _INTEGRATOR)
_WIRES = _row(Bound.ROOM, _INTEGRATOR)
_SEES_FLOOR = _row(Bound.FLOOR, _SENDER, _STATION, _OPERATOR, _SUPERVISOR, _INTEGRATOR)
_SEES_STATION = _row(Bound.STATION, _SENDER, _STATION, _OPERATOR, _SUPERVISOR, _INTEGRATOR)
_PAGE_FLOOR = _row(Bound.FLOOR, _OPERATOR, _SUPERVISOR, _INTEGRATOR)
_PAGE_STATION = _row(Bound.STATION, _OPERATOR, _SUPERVISOR, _INTEGRATOR)
_PAGE_ROOM = _row(Bound.ROOM, _OPERATOR, _SUPERVISOR)
_READS_ROOM = _row(Bound.ROOM, _SENDER, _OPERATOR, _SUPERVISOR)

TABLE: Final[Table] = {
    # probes
    ("GET", "/healthz"): _ANYBODY,
    ("GET", "/readyz"): _ANYBODY,
    ("GET", "/metrics"): _row(Bound.FLOOR, _SUPERVISOR, _INTEGRATOR),
    # signing in
    ("GET", "/sign-in"): _ANYBODY,
    ("POST", "/sign-in"): _ANYBODY,
    ("POST", "/sign-out"): _ANYBODY,
    ("GET", "/static/{name:path}"): _ANYBODY,
    # documents
    ("GET", "/openapi.json"): _SEES_FLOOR,
    # events; which types, see EVENTS
    ("POST", "/v1/events"): _EVENTS,
    # stations and desk
    ("GET", "/v1/stations"): _SEES_FLOOR,
    ("GET", "/v1/stations/found"): _row(Bound.FLOOR, _SUPERVISOR, _INTEGRATOR),
    # signed by the station with its own secret, which its adapter checks
    ("POST", "/v1/stations/{station_id}/reports"): _ANYBODY,
    ("GET", "/v1/stations/{station_id}"): _SEES_STATION,
    ("GET", "/v1/stations/{station_id}/repair"): _PERSON_AT_STATION,
    ("POST", "/v1/stations/{station_id}/repair"): _PERSON_AT_STATION,
    ("POST", "/v1/stations/{station_id}/hold"): _PERSON_AT_STATION,
    ("POST", "/v1/stations/{station_id}/release"): _PERSON_AT_STATION,
    ("GET", "/v1/stations/{station_id}/affected"): _PERSON_AT_STATION,
    ("GET", "/v1/stations/{station_id}/size-change"): _PERSON_AT_STATION,
    ("GET", "/v1/waiting"): _row(Bound.FLOOR, _OPERATOR, _SUPERVISOR),
    ("POST", "/v1/jobs/{job_id}/settle"): _PERSON_ON_JOB,
    ("POST", "/v1/jobs/{job_id}/void"): _PERSON_ON_JOB,
    ("POST", "/v1/jobs/{job_id}/cancel"): _PERSON_ON_JOB,
    ("POST", "/v1/jobs/{job_id}/reprint"): _PERSON_ON_JOB,
    ("POST", "/v1/orders/{order_id}/move"): _LEADS,
    # orders and labels
    ("POST", "/v1/fit"): _row(Bound.FLOOR, _SENDER, _OPERATOR, _SUPERVISOR, _INTEGRATOR),
    ("GET", "/v1/orders"): _READS_ROOM,
    ("GET", "/v1/orders/{order_id:path}"): _row(Bound.ORDER, _SENDER, _OPERATOR, _SUPERVISOR),
    ("GET", "/v1/parcels/{parcel_id}"): _row(Bound.PARCEL, _SENDER, _OPERATOR, _SUPERVISOR),
    ("GET", "/v1/parcels/{parcel_id}/evidence.json"): _row(Bound.PARCEL, _SUPERVISOR),
    ("GET", "/v1/parcels/{parcel_id}/evidence.pdf"): _row(Bound.PARCEL, _SUPERVISOR),
    ("GET", "/v1/orders/{order_id:path}/proof"): _row(Bound.ORDER, _SUPERVISOR),
    # the ledger
    ("GET", "/v1/ledger/head"): _LEADS_OR_WIRES,
    ("GET", "/v1/ledger/checkpoints"): _LEADS_OR_WIRES,
    ("GET", "/v1/ledger/growth"): _LEADS_OR_WIRES,
    ("GET", "/v1/ledger/entries"): _LEADS,
    ("GET", "/v1/epcis/events"): _row(Bound.ROOM, _SENDER, _SUPERVISOR, _INTEGRATOR),
    ("GET", "/v1/reports/daily"): _LEADS_OR_WIRES,
    ("GET", "/v1/jobs/{job_id}"): _row(Bound.JOB, _SENDER, _OPERATOR, _SUPERVISOR),
    ("GET", "/v1/jobs/{job_id}/label"): _row(Bound.JOB, _SUPERVISOR),
    ("GET", "/v1/search"): _PAGE_ROOM,
    # the site file
    ("POST", "/v1/site/reload"): _LEADS_OR_WIRES,
    # ways in and out; a dead letter's body may hold a whole order
    ("GET", "/v1/queues"): _LEADS_OR_WIRES,
    ("GET", "/v1/dead-letters"): _LEADS_OR_WIRES,
    ("GET", "/v1/dead-letters/{letter_id}"): _LEADS,
    ("POST", "/v1/dead-letters/{letter_id}/replay"): _LEADS,
    ("POST", "/v1/targets/{way}/replay"): _LEADS,
    # mislabels
    ("GET", "/v1/cases"): _LEADS,
    ("GET", "/v1/cases/{case_id}"): _row(Bound.CASE, _OPERATOR, _SUPERVISOR),
    ("POST", "/v1/cases/{case_id}/explain"): _row(Bound.CASE, _OPERATOR, _SUPERVISOR),
    ("POST", "/v1/cases/{case_id}/close"): _LEADS,
    # pages
    ("GET", "/"): _PAGE_FLOOR,
    ("GET", "/floor"): _PAGE_FLOOR,
    ("GET", "/floor/live"): _PAGE_FLOOR,
    ("GET", "/floor/{station_id}"): _PAGE_STATION,
    ("GET", "/floor/{station_id}/now"): _PAGE_STATION,
    ("GET", "/floor/{station_id}/affected"): _PERSON_AT_STATION,
    ("POST", "/floor/{station_id}/hold"): _PERSON_AT_STATION,
    ("POST", "/floor/{station_id}/release"): _PERSON_AT_STATION,
    ("POST", "/floor/{station_id}/repair"): _PERSON_AT_STATION,
    ("POST", "/floor/{station_id}/pull"): _PERSON_AT_STATION,
    ("POST", "/floor/{station_id}/supply"): _PERSON_AT_STATION,
    ("GET", "/waiting"): _row(Bound.FLOOR, _OPERATOR, _SUPERVISOR),
    ("POST", "/jobs/{job_id}/settle"): _PERSON_ON_JOB,
    ("POST", "/jobs/{job_id}/void"): _PERSON_ON_JOB,
    ("POST", "/jobs/{job_id}/cancel"): _PERSON_ON_JOB,
    ("POST", "/jobs/{job_id}/reprint"): _PERSON_ON_JOB,
    ("POST", "/move"): _LEADS,
    ("GET", "/orders"): _PAGE_ROOM,
    ("GET", "/orders/{order_id:path}"): _row(Bound.ORDER, _OPERATOR, _SUPERVISOR),
    ("GET", "/label-pictures/{job_id}.png"): _PERSON_ON_JOB,
    ("GET", "/mislabels"): _LEADS,
    ("GET", "/mislabels/{case_id}"): _row(Bound.CASE, _OPERATOR, _SUPERVISOR),
    ("POST", "/mislabels/{case_id}"): _LEADS,
    ("GET", "/search"): _PAGE_ROOM,
    ("GET", "/figures"): _LEADS_OR_WIRES,
    ("GET", "/figures/{day}.pdf"): _LEADS_OR_WIRES,
    ("GET", "/figures/{day}.html"): _LEADS_OR_WIRES,
    ("GET", "/goods"): _LEADS_OR_WIRES,
    ("GET", "/ledger"): _LEADS,
    ("POST", "/ledger/verify"): _LEADS,
    ("POST", "/ledger/sign"): _LEADS,
    ("GET", "/site"): _LEADS_OR_WIRES,
    ("POST", "/site/reload"): _LEADS_OR_WIRES,
    ("GET", "/stations-found"): _WIRES,
}

_BY_HAND: Final = frozenset({_OPERATOR, _SUPERVISOR})
_MACHINE_OR_HAND: Final = _BY_HAND | {_STATION}

EVENTS: Final[Mapping[EventType, frozenset[AccessRole]]] = {
    EventType.ORDER_SCANNED: _MACHINE_OR_HAND | {_SENDER},
    EventType.ITEM_PRESENT: frozenset({_STATION}),
    EventType.ITEM_MEASURED: frozenset({_STATION}),
    # whoever hands in orders must not also say that their labels are on the right bags
    EventType.LABEL_SCANNED: _MACHINE_OR_HAND,
    EventType.BAG_ADVANCED: frozenset({_STATION}),
    EventType.BAG_SEALED: frozenset({_STATION}),
    EventType.BAG_PULLED: _MACHINE_OR_HAND,
    EventType.STATION_STATE: _MACHINE_OR_HAND,
    EventType.SUPPLY_CHANGED: _MACHINE_OR_HAND,
}
"""Which role may hand in which type of event, over HTTP."""
