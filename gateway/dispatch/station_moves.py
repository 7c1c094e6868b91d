"""The station's states and the moves between them: one table that code, docs and tests share.

The state says whether the station's lane may send. What the machine says of itself is kept beside
it and decides nothing here; a hold and a doubt, which have rows of their own, change only in the
same transaction as this state.
"""

from collections.abc import Mapping
from types import MappingProxyType

import sqlalchemy as sa
from pydantic import JsonValue
from sqlalchemy.engine import Connection

from gateway.dispatch.station_state import ensure_row
from gateway.errors import NotAllowedNow
from gateway.store import prepared
from gateway.store.jobs import JobRow
from gateway.store.tables import stations
from gateway.store.work import Work
from schemas.events import Outgoing, OutgoingType
from schemas.ledger import EntryKind
from schemas.station import StationState

S = StationState
STATION_MOVES: Mapping[StationState, Mapping[StationState, str]] = MappingProxyType(
    {
        S.READY: {
            S.IN_DOUBT: "a label left and nobody can tell what became of it",
            S.NEEDS_PERSON: "the station says that somebody must go there",
            S.FAULTED: "its faults persist, the breaker opens",
            S.HELD: "a scan, a fault or a person holds it",
        },
        S.IN_DOUBT: {
            S.READY: "the doubt is settled",
            S.HELD: "a scan or a person holds it",
        },
        S.NEEDS_PERSON: {
            S.READY: "it takes labels again",
            S.IN_DOUBT: "a try left and nobody can tell what became of it",
            S.FAULTED: "it no longer answers",
            S.HELD: "a scan, a fault or a person holds it",
        },
        S.FAULTED: {
            S.READY: "it takes labels again",
            S.IN_DOUBT: "a try left and nobody can tell what became of it",
            S.NEEDS_PERSON: "it answers, and says that somebody must go there",
            S.HELD: "a scan, a fault or a person holds it",
        },
        S.HELD: {
            S.READY: "a person releases it",
            S.IN_DOUBT: "a person releases it, and a job is still in doubt",
        },
    }
)

STANDING = (S.NEEDS_PERSON, S.FAULTED)
"""The station is looked at before a label is tried on it."""

_STATE = sa.select(stations.c.state).where(stations.c.station == sa.bindparam("station"))
_KINDS = {
    S.HELD: (EntryKind.STATION_HELD, OutgoingType.STATION_HELD),
    None: (EntryKind.STATION_MOVED, OutgoingType.STATION_MOVED),
}
_RELEASED = (EntryKind.STATION_RELEASED, OutgoingType.STATION_RELEASED)


def allowed(state: StationState, to: StationState) -> bool:
    """Whether the table has that move."""
    return to in STATION_MOVES[state]


def state_of(conn: Connection, station: str) -> StationState:
    """The station's state; one that was never seen is ready."""
    found = prepared.row(conn, _STATE, {"station": station})
    return S.READY if found is None else S(found[0])


def move_station(
    work: Work,
    station: str,
    to: StationState,
    why: str,
    *,
    actor: str = "gateway",
    job: JobRow | None = None,
    job_id: str | None = None,
    event_id: str | None = None,
    **facts: JsonValue,
) -> None:
    """Make one move, with its ledger entry and its outgoing event, in the step's transaction.

    Raises `NotAllowedNow` where the table has no such move.
    """
    was = state_of(work.conn, station)
    if not allowed(was, to):
        raise NotAllowedNow(
            f"Station {station} is {was}; it can't become {to}. "
            f"From here it can become: {', '.join(STATION_MOVES[was])}."
        )
    ensure_row(work, station)
    work.conn.execute(
        sa.update(stations)
        .where(stations.c.station == station)
        .values(state=to, state_since=work.now, waits_for="" if to is S.READY else why)
    )
    kind, outgoing = _RELEASED if was is S.HELD else _KINDS.get(to, _KINDS[None])
    work.record(
        kind,
        actor=actor,
        station=station,
        order_id=job.order_id if job else None,
        parcel_id=job.parcel_id if job else None,
        job_id=job.job_id if job else job_id,
        event_id=event_id,
        facts={"from": was.value, "to": to.value, **facts},
    )
    work.publish(
        outgoing,
        Outgoing(
            station=station,
            text=why,
            facts={} if outgoing is not OutgoingType.STATION_MOVED else {"state": to.value},
        ),
    )
    if to in (S.READY, S.IN_DOUBT, S.HELD):
        work.wake(station)


def now_waits_for(work: Work, station: str, reason: str) -> None:
    """Another reason for the state that the station is in: recorded once, a repeat is nothing."""
    changed = work.conn.execute(
        sa.update(stations)
        .where(stations.c.station == station, stations.c.waits_for != reason)
        .values(waits_for=reason)
    )
    if changed.rowcount:
        state = state_of(work.conn, station).value
        work.record(
            EntryKind.STATION_MOVED,
            station=station,
            facts={"from": state, "to": state, "reason": reason},
        )
