"""What is kept of a station, and what it says of itself, told on."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.store.tables import stations
from gateway.store.work import Work
from schemas.ledger import EntryKind
from schemas.station import MachineState, StationState


@dataclass(frozen=True, slots=True)
class StationRow:
    """The station as it was last known; `last_scan` is JSON text."""

    state: StationState
    since: datetime | None
    waits_for: str
    """Why it is in that state; empty where it is ready."""
    machine_state: MachineState
    state_detail: str
    last_scan: str | None


_NEVER_SEEN = StationRow(StationState.READY, None, "", MachineState.UNKNOWN, "", None)


def known_state(conn: Connection, station: str) -> StationRow:
    """The station as it was last known."""
    return known_states(conn, (station,))[station]


def known_states(conn: Connection, names: Sequence[str]) -> dict[str, StationRow]:
    """Each of these stations as it was last known."""
    known = dict.fromkeys(names, _NEVER_SEEN)
    for row in conn.execute(sa.select(stations).where(stations.c.station.in_(names))):
        known[row.station] = StationRow(
            state=StationState(row.state),
            since=row.state_since,
            waits_for=row.waits_for,
            machine_state=MachineState(row.machine_state),
            state_detail=row.state_detail,
            last_scan=row.last_scan,
        )
    return known


def ensure_row(work: Work, station: str) -> None:
    """Make sure that the station has its row."""
    if (
        work.conn.execute(
            sa.select(stations.c.station).where(stations.c.station == station)
        ).first()
        is None
    ):
        work.conn.execute(sa.insert(stations).values(station=station, changed=work.now))


def state_seen(work: Work, station: str, state: MachineState, detail: str, actor: str) -> None:
    """Record a state; a repeat of the one known changes nothing."""
    known = known_state(work.conn, station)
    if known.machine_state is state and known.state_detail == detail:
        return
    work.conn.execute(
        sa.update(stations)
        .where(stations.c.station == station)
        .values(machine_state=state, state_detail=detail, changed=work.now)
    )
    work.record(
        EntryKind.STATION_STATE,
        actor=actor,
        station=station,
        state=state.value,
        was=known.machine_state.value,
        detail=detail,
    )
    work.wake(station)


def last_report(conn: Connection, station: str) -> int | None:
    """The highest number of the station's signed reports that were dealt with."""
    return conn.execute(
        sa.select(stations.c.last_report).where(stations.c.station == station)
    ).scalar_one_or_none()


def report_taken(work: Work, station: str, number: int) -> None:
    """A signed report was dealt with: it and all before it are old from now on."""
    ensure_row(work, station)
    work.conn.execute(
        sa.update(stations)
        .where(
            stations.c.station == station,
            sa.or_(stations.c.last_report.is_(None), stations.c.last_report < number),
        )
        .values(last_report=number)
    )
