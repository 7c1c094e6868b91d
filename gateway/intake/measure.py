"""Sizes that a dimension scanner saw, kept until the goods' order is scanned."""

from datetime import datetime, timedelta

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.store.tables import measurements
from gateway.store.work import Work
from schemas.goods import MeasuredSize

FRESH_FOR = timedelta(minutes=10)
"""Older readings belong to other goods: common practice, no source."""


def remember(work: Work, station: str, code: str, measured: MeasuredSize) -> None:
    """Keep the reading for this code; a later one replaces it."""
    work.conn.execute(
        sa.delete(measurements).where(
            sa.or_(
                sa.and_(measurements.c.station == station, measurements.c.code == code),
                measurements.c.taken < work.now - FRESH_FOR,
            )
        )
    )
    work.conn.execute(
        sa.insert(measurements).values(
            station=station, code=code, measured=measured.model_dump_json(), taken=work.now
        )
    )


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
