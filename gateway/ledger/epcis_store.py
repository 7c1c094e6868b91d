"""EPCIS events from the store, in pages that follow the ledger."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.ledger.entries import entry
from gateway.ledger.epcis import EpcisSite, Event, told
from gateway.ledger.epcis_story import stories
from gateway.store.tables import entries
from schemas.ledger import EntryKind, LedgerEntry
from schemas.site import Site

_AT_ONCE = 500
"""Parcels asked for in one query."""


@dataclass(frozen=True, slots=True)
class EpcisPage:
    """Events of the ledger entries after one number up to `until`; `more` where others follow."""

    events: tuple[Event, ...]
    until: int
    more: bool


def epcis_site(site: Site) -> EpcisSite:
    """Where the site's events happened."""
    return EpcisSite(site.name, ZoneInfo(site.time_zone), site.gs1.gln)


def epcis_page(conn: Connection, site: EpcisSite, *, after: int, limit: int) -> EpcisPage:
    """The events that `limit` moves of label jobs after entry `after` tell, oldest first.

    A move tells none, one or two events. Asking on from `until` gives every event once. Parcels
    that began in archived entries are told from what the store still has.
    """
    moves = _moves(conn, after, limit + 1)
    more = len(moves) > limit
    moves = moves[:limit]
    if not moves:
        return EpcisPage((), after, more=False)
    until = moves[-1].seq
    parcels = sorted({row.parcel_id for row in moves if row.parcel_id})
    found = [
        (step.seq, event)
        for story in stories(_of_parcels(conn, parcels))
        for step, event in told(story, site)
        if after < step.seq <= until
    ]
    found.sort(key=lambda one: one[0])
    return EpcisPage(tuple(event for _, event in found), until, more)


def _moves(conn: Connection, after: int, limit: int) -> "list[sa.Row[tuple[int, str | None]]]":
    query = (
        sa.select(entries.c.seq, entries.c.parcel_id)
        .where(entries.c.kind == EntryKind.JOB_MOVED, entries.c.seq > after)
        .order_by(entries.c.seq)
        .limit(limit)
    )
    return list(conn.execute(query))


def _of_parcels(conn: Connection, parcels: list[str]) -> list[LedgerEntry]:
    told_of: list[LedgerEntry] = []
    for at in range(0, len(parcels), _AT_ONCE):
        query = sa.select(entries.c.canonical, entries.c.hash).where(
            entries.c.parcel_id.in_(parcels[at : at + _AT_ONCE])
        )
        told_of += [
            entry(row.canonical, row.hash) for row in conn.execute(query.order_by(entries.c.seq))
        ]
    return told_of
