"""What people do with cases: read, explain, close; and the bags that a roll change could touch."""

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from gateway.cases import rows
from gateway.cases.affected import affected_by
from gateway.errors import NotAllowedNow, NotFound
from gateway.ledger import entries as ledger_entries
from gateway.store import tables
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.cases import Affected, Case, CaseKind, CaseState, CaseStory
from schemas.job import JobState
from schemas.ledger import EntryKind, LedgerEntry

_FAR_BACK = 2000
"""Entries of a station that are read before a fault: far more than a row of bags has."""

_ROW_KINDS = frozenset(
    {
        CaseKind.SHIFTED_ROW,
        CaseKind.WRONG_ORDER,
        CaseKind.REPEATED_LABEL,
        CaseKind.LEFT_UNSCANNED,
        CaseKind.STALE_LABEL,
    }
)


class CaseDesk:
    """Cases for pages, routes and reports."""

    def __init__(self, store: Store) -> None:
        self._store = store

    async def listed(
        self, state: CaseState | None = None, kind: CaseKind | None = None, limit: int = 200
    ) -> list[Case]:
        """Cases, newest first."""
        return await self._store.read(
            lambda conn: rows.listed(conn, state=state, kind=kind, limit=limit)
        )

    async def story(self, case_id: str) -> CaseStory:
        """One case with its chain and the bags it could touch. Raises `NotFound`."""
        return await self._store.read(lambda conn: case_story(conn, case_id))

    async def explain(self, case_id: str, note: str, by: str, kind: CaseKind | None = None) -> None:
        """Say what had happened; it stays on the list until it is closed."""
        await self._store.write(
            lambda work: _change(work, case_id, CaseState.EXPLAINED, note, by, kind)
        )

    async def close(self, case_id: str, note: str, by: str, kind: CaseKind | None = None) -> None:
        """Say that nothing is left to be done."""
        await self._store.write(
            lambda work: _change(work, case_id, CaseState.CLOSED, note, by, kind)
        )

    async def touched(self, station: str, at_seq: int) -> Affected:
        """The bags that a roll change, or any other entry of a station, could touch."""
        return await self._store.read(lambda conn: affected_at(conn, station, at_seq))


def case_story(conn: Connection, case_id: str) -> CaseStory:
    """One case with its chain of entries. Raises `NotFound`."""
    case = rows.find(conn, case_id)
    if case is None:
        raise NotFound(f"There is no case {case_id!r}.")
    chain = [ledger_entries.entry(*one) for one in rows.chain_of(conn, case_id)]
    shown = next((one for one in chain if one.kind is not EntryKind.CASE_OPENED), None)
    affected = None
    if case.kind in _ROW_KINDS and case.station and shown:
        affected = affected_at(conn, case.station, shown.seq, shifted_by=_shift(shown))
    return CaseStory(case=case, entries=tuple(chain), affected=affected)


def affected_at(conn: Connection, station: str, at_seq: int, *, shifted_by: int = 0) -> Affected:
    """The bags that could be affected by what an entry of the station tells."""
    told = _around(conn, station, at_seq)
    ids = {entry.job_id for entry in told if entry.job_id}
    found = conn.execute(
        sa.select(tables.jobs.c.job_id, tables.jobs.c.state).where(tables.jobs.c.job_id.in_(ids))
    )
    now = {row.job_id: JobState(row.state) for row in found}
    return affected_by(told, station, at_seq, now, shifted_by=shifted_by)


def _around(conn: Connection, station: str, at_seq: int) -> list[LedgerEntry]:
    table = tables.entries
    mine = (table.c.station == station, table.c.kind.in_(("job.moved", "scan.verified")))
    columns = (table.c.canonical, table.c.hash)
    before = (
        sa.select(*columns)
        .where(*mine, table.c.seq <= at_seq)
        .order_by(table.c.seq.desc())
        .limit(_FAR_BACK)
    )
    after = (
        sa.select(*columns)
        .where(*mine, table.c.seq > at_seq)
        .order_by(table.c.seq)
        .limit(_FAR_BACK)
    )
    found = [*reversed(conn.execute(before).all()), *conn.execute(after).all()]
    return [ledger_entries.entry(row.canonical, row.hash) for row in found]


def _shift(entry: LedgerEntry) -> int:
    shifted = entry.data.get("shifted_by")
    return shifted if isinstance(shifted, int) else 0


def _change(
    work: Work, case_id: str, to: CaseState, note: str, by: str, kind: CaseKind | None
) -> None:
    case = rows.find(work.conn, case_id)
    if case is None:
        raise NotFound(f"There is no case {case_id!r}.")
    if case.state is CaseState.CLOSED:
        raise NotAllowedNow(f"Case {case_id} is closed; {case.by} said: {case.note}")
    changed = case.model_copy(
        update={
            "state": to,
            "kind": kind or case.kind,
            "note": note,
            "by": by,
            "changed": work.now,
            "closed": work.now if to is CaseState.CLOSED else None,
        }
    )
    if not rows.change(work.conn, case, changed):
        raise NotAllowedNow(f"Somebody else changed case {case_id} just now. Look again.")
    seq = work.record(
        EntryKind.CASE_CHANGED,
        actor=by,
        order_id=case.order_id,
        job_id=case.job_id,
        station=case.station,
        case_id=case_id,
        state=to.value,
        was=case.state.value,
        case=changed.kind.value,
        note=note,
    )
    rows.link(work.conn, case_id, [seq])
