"""A store of an earlier release: a station that stood before the upgrade still stands after it."""

from pathlib import Path

import sqlalchemy as sa
from alembic import command

from gateway.dispatch.station_moves import state_of
from gateway.dispatch.station_state import known_state
from gateway.store.migrate import config
from schemas.station import StationState

_SINCE = "2026-01-05T06:00:00.000000Z"


def _stood_before(conn: sa.Connection) -> None:
    for name in ("idle", "held", "doubt", "both"):
        conn.execute(
            sa.text("INSERT INTO stations (station, changed) VALUES (:name, :since)"),
            {"name": name, "since": _SINCE},
        )
    for name in ("held", "both"):
        conn.execute(
            sa.text(
                "INSERT INTO holds (station, since, kind, text)"
                " VALUES (:name, :since, 'by_hand', 'x')"
            ),
            {"name": name, "since": _SINCE},
        )
    conn.execute(
        sa.text(
            "INSERT INTO holds (station, since, kind, text, released)"
            " VALUES ('idle', :since, 'by_hand', 'x', :since)"
        ),
        {"since": _SINCE},
    )
    for number, (name, state) in enumerate(
        (("doubt", "in_doubt"), ("both", "in_doubt"), ("idle", "queued"))
    ):
        conn.execute(
            sa.text(
                "INSERT INTO jobs (job_id, order_id, parcel_id, station, state, lane_position,"
                " label_sha256, expected_scans, created, waits_since, changed)"
                " VALUES (:job, 'o', 'p', :name, :state, :at, 'l', '[]', :since, :since, :since)"
            ),
            {"job": f"j{number}", "name": name, "state": state, "at": number, "since": _SINCE},
        )


def test_held_and_doubtful_stations_keep_their_state(tmp_path: Path) -> None:
    """A hold outranks a doubt; a released hold and a waiting job leave a station ready."""
    engine = sa.create_engine(f"sqlite:///{tmp_path / 'old.db'}")
    settings = config()
    with engine.begin() as conn:
        settings.attributes["connection"] = conn
        command.upgrade(settings, "0005")
        _stood_before(conn)
        command.upgrade(settings, "head")
        assert {
            "idle": StationState.READY,
            "held": StationState.HELD,
            "doubt": StationState.IN_DOUBT,
            "both": StationState.HELD,
        } == {name: state_of(conn, name) for name in ("idle", "held", "doubt", "both")}
        since = known_state(conn, "held").since
        assert since is not None
        assert since.isoformat() == "2026-01-05T06:00:00+00:00"
    engine.dispose()
