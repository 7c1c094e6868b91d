"""Leases on lanes: one process sends to a station, and a process that slept past its lease can't.

A lease is a row with an owner, an epoch and an end. Every step of a lane states its epoch; once
another process has taken the lane the epoch is higher and the step is refused.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa

from gateway.store import prepared
from gateway.store.tables import lanes
from gateway.store.work import Work
from schemas.ledger import EntryKind

_HELD = sa.select(lanes.c.epoch).where(
    lanes.c.station == sa.bindparam("station"),
    lanes.c.owner == sa.bindparam("owner"),
    lanes.c.epoch == sa.bindparam("epoch"),
)


class LeaseLost(Exception):
    """The lane belongs to another process now."""


@dataclass(frozen=True, slots=True)
class Lease:
    """This process's right to send to a station."""

    station: str
    owner: str
    epoch: int
    good_until: float
    """On the monotonic clock; counted from before the store was asked, so never too late."""


def renew(
    work: Work, owner: str, stations: Iterable[str], *, seconds: float, at: datetime, alone: bool
) -> dict[str, int]:
    """Renew own leases and take those that have ended or nobody has; station -> epoch.

    `at` is the store's time where several processes share it, so that their clocks need not agree.
    `alone` says that no other process can be there: leases of a dead one needn't run out.
    """
    until = at + timedelta(seconds=seconds)
    epochs: dict[str, int] = {}
    wanted = set(stations)
    known = {row.station: row for row in work.conn.execute(sa.select(lanes))}
    for station in sorted(wanted):
        row = known.get(station)
        if row is None:
            work.conn.execute(
                sa.insert(lanes).values(station=station, owner=owner, epoch=1, until=until)
            )
            epochs[station] = 1
        elif row.owner == owner:
            epochs[station] = row.epoch
            work.conn.execute(
                sa.update(lanes).where(lanes.c.station == station).values(until=until)
            )
            continue
        elif alone or row.owner is None or row.until is None or row.until < at:
            epochs[station] = row.epoch + 1
            work.conn.execute(
                sa.update(lanes)
                .where(lanes.c.station == station)
                .values(owner=owner, epoch=row.epoch + 1, until=until)
            )
        else:
            continue
        work.record(EntryKind.LANE_LEASED, station=station, owner=owner, epoch=epochs[station])
    return epochs


def give_up(work: Work, owner: str) -> None:
    """Hand every lane of this process back, at a clean stop."""
    work.conn.execute(sa.update(lanes).where(lanes.c.owner == owner).values(owner=None, until=None))


def fence(work: Work, lease: Lease) -> None:
    """Refuse the step where the lane has passed to another process. Raises `LeaseLost`."""
    held = prepared.row(
        work.conn,
        _HELD,
        {"station": lease.station, "owner": lease.owner, "epoch": lease.epoch},
    )
    if held is None:
        raise lost(lease)


def lost(lease: Lease) -> LeaseLost:
    """The error for a lease that is over."""
    return LeaseLost(f"lane {lease.station}: epoch {lease.epoch} of {lease.owner} is over")
