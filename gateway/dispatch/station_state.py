"""What a station says of itself, kept and told on."""

from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.store.tables import stations
from gateway.store.work import Work
from schemas.ledger import EntryKind
from schemas.station import MachineState


@dataclass(frozen=True, slots=True)
class StationRow:
    """The station's last known state; `last_scan` is JSON text."""

    machine_state: MachineState
    state_detail: str
    last_scan: str | None


def known_state(conn: Connection, station: str) -> StationRow:
    """The state that the station was last said to be in."""
    row = conn.execute(
        sa.select(stations.c.machine_state, stations.c.state_detail, stations.c.last_scan).where(
            stations.c.station == station
        )
    ).one_or_none()
    if row is None:
        return StationRow(MachineState.UNKNOWN, "", None)
    return StationRow(MachineState(row.machine_state), row.state_detail, row.last_scan)


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
