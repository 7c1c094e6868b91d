"""Sizes that a dimension scanner saw, kept until the goods' order is scanned."""

from datetime import datetime, timedelta

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.store.tables import measurements
from gateway.store.work import Work
from schemas.goods import MeasuredSize

FRESH_FOR = timedelta(minutes=10)
"""Older readings belong to other goods: common practice, no source."""

_FORGET = sa.delete(measurements).where(
    measurements.c.station == sa.bindparam("at_station"),
    measurements.c.code == sa.bindparam("of_code"),
)
_FORGET_OLD = sa.delete(measurements).where(measurements.c.taken < sa.bindparam("before"))
_KEEP = sa.insert(measurements)


def remember(work: Work, station: str, code: str, measured: MeasuredSize) -> None:
    """Keep the reading for this code; a later one replaces it."""
    here = {"at_station": station, "of_code": code}
    work.conn.execute(_FORGET, here)
    work.conn.execute(_FORGET_OLD, {"before": work.now - FRESH_FOR})
    values = {"measured": measured.model_dump_json(), "taken": work.now}
    work.conn.execute(_KEEP, {"station": station, "code": code, **values})


def recall(conn: Connection, station: str, code: str, now: datetime) -> MeasuredSize | None:
    """The reading of these goods at this station, if there is a fresh one."""
    stored = conn.execute(
        sa.select(measurements.c.measured).where(
            measurements.c.station == station,
            measurements.c.code == code,
            measurements.c.taken >= now - FRESH_FOR,
        )
    ).scalar_one_or_none()
    return None if stored is None else MeasuredSize.model_validate_json(stored)
