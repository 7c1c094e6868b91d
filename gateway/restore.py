"""Putting a backup in place of a store, so that nothing that was printed since is printed again.

A backup doesn't know what happened after it. So every lane is held until a person has looked,
every label that waited then asks before it prints, and SSCC serials jump ahead of all that may
have been used since.
"""

import asyncio
import sqlite3
from collections.abc import Iterable
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa

from gateway.access.after_restore import Ends, ends_in, settle_access
from gateway.clock import Clock
from gateway.dispatch import holds
from gateway.dispatch.moves import move
from gateway.ledger.keys import archive_dir
from gateway.ledger.whole_check import check_whole
from gateway.store import jobs, sqlite
from gateway.store.backup import BackupBad, Manifest, check_backup, copy_backup
from gateway.store.store import Store
from gateway.store.tables import LIVE_STATES, counters, outbox, stations
from gateway.store.tables import jobs as job_rows
from gateway.store.work import Work
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.site import Site

HOLD_KIND = "restored"
_FEWEST_SERIALS_A_DAY = 1000
_CASE_NUMBERS = 100
_MESSAGES = 1_000_000
_SSCC_DIGITS = 16


@dataclass(frozen=True, slots=True)
class Restored:
    """What was done."""

    made: datetime
    """When the backup was made."""
    held: int
    asking: int
    """Labels that waited in the backup and now ask a person before they print."""
    serials_ahead: int
    replaced: Path | None
    """Where the store that was there before lies now."""
    revoked: int | None
    """Access keys that were valid in the backup and not in the store that was there before; None
    where that could not be read."""


def restore(
    backup: Path, site: Site, clock: Clock, *, serials_ahead: int | None = None
) -> Restored:
    """Put a backup in the place of the site's SQLite store; the gateway must be stopped.

    The store that was there is kept under another name. Raises `BackupBad`, `NotStored` where a
    gateway runs, OSError.
    """
    manifest = check_backup(backup)
    path = sqlite.file_of(site.store.url)
    claim = sqlite.claim(site.store.url)
    draft = path.with_name(f"{path.stem}.restoring{path.suffix}")
    try:
        copy_backup(backup, draft)
        ahead = serials_ahead or _serials_ahead(draft, path, site, manifest, clock.now())
        ends = ends_in(path)
        held, asking, revoked = asyncio.run(
            _prepare(draft, site, clock, manifest, ahead, ends or {})
        )
        _into_one_file(draft)
        replaced = _put_aside(path, clock.now())
        draft.replace(path)
    finally:
        for left in (draft, *_with_wal(draft), draft.with_suffix(".lock")):
            left.unlink(missing_ok=True)
        if claim is not None:
            claim.close()
    known = None if ends is None else revoked
    return Restored(manifest.made, held, asking, ahead, replaced, known)


def settle(
    work: Work, names: Iterable[str], made: datetime, ahead: int, manifest: Manifest | None = None
) -> tuple[int, int]:
    """Make a store that came out of a backup safe to run; how many lanes held and labels asking.

    Also for a store that another tool restored.
    """
    text = (
        f"Restored from a backup of {made:%Y-%m-%d %H:%M} UTC: what was printed since then is not"
        " known here. Check the bags at the station and the orders packed since, then release."
    )
    known = set(work.conn.execute(sa.select(stations.c.station)).scalars())
    waited = sa.select(job_rows.c.station).where(job_rows.c.state.in_(LIVE_STATES)).distinct()
    every = sorted(known | set(work.conn.execute(waited).scalars()) | set(names))
    asking = 0
    for name in every:
        asking += _ask_first(work, name, made)
        _hold(work, name, text)
    _jump_messages(work)
    _jump(work, "sscc", ahead)
    _jump(work, "case", _CASE_NUMBERS)
    work.record(
        EntryKind.RESTORED,
        made=made.isoformat(),
        entries=manifest.entries if manifest else None,
        last_hash=manifest.last_hash if manifest else None,
        backup_sha256=manifest.sha256 if manifest else None,
        held=len(every),
        asking=asking,
        serials_ahead=ahead,
    )
    return len(every), asking


async def _prepare(
    draft: Path, site: Site, clock: Clock, manifest: Manifest, ahead: int, ends: Ends
) -> tuple[int, int, int]:
    store = Store(f"sqlite:///{draft}", clock)
    store.start()
    try:
        report = await store.read(lambda conn: check_whole(conn, archive_dir(site)))
        if not report.ok:
            raise BackupBad(
                f"The ledger in the backup is not whole: {report.chain.text}"
                f"{' '.join(report.faults)} Nothing was replaced."
            )
        names = [station.id for station in site.station]
        return await store.write(
            lambda work: (
                *settle(work, names, manifest.made, ahead, manifest),
                settle_access(work, ends),
            )
        )
    finally:
        store.close()


def _ask_first(work: Work, station: str, made: datetime) -> int:
    reason = f"it waited in the backup of {made:%Y-%m-%d %H:%M} UTC; look whether it was printed"
    waiting = [job for job in jobs.waiting(work.conn, station) if job.state is JobState.QUEUED]
    for job in waiting:
        move(work, job, JobState.STALE, reason)
    return len(waiting)


def _hold(work: Work, station: str, text: str) -> None:
    """An older hold gives way to this one, which repeats its reason."""
    older = holds.open_of(work.conn, station)
    if older is not None:
        holds.release(work, station, "the store was restored from a backup", "gateway")
        text = f"{text} It was held before: {older.text}"
    holds.open_hold(work, station, HOLD_KIND, text, scan=older.scan if older else None)


def _jump(work: Work, name: str, ahead: int) -> None:
    work.conn.execute(
        sa.update(counters).where(counters.c.name == name).values(value=counters.c.value + ahead)
    )


def _jump_messages(work: Work) -> None:
    """Outgoing events count on far above what was sent since: receivers drop known numbers."""
    top: int = work.conn.execute(
        sa.select(sa.func.coalesce(sa.func.max(outbox.c.id), 0))
    ).scalar_one()
    for number, message in enumerate(work.outgoing, start=top + _MESSAGES):
        message["id"] = number
    if work.conn.dialect.name == "postgresql":
        last = top + _MESSAGES + len(work.outgoing)
        named = sa.func.pg_get_serial_sequence("outbox", "id")
        work.conn.execute(sa.select(sa.func.setval(named, last)))


def _serials_ahead(draft: Path, before: Path, site: Site, manifest: Manifest, now: datetime) -> int:
    """More serials than can have been used since the backup: ten times what its days used.

    Raises `BackupBad` where the company prefix has no room for that.
    """
    used, first = _serials_used(draft)
    since = max(1, (now - manifest.made).days + 1)
    days = max(1, (manifest.made - first).days + 1) if first else 1
    ahead = since * max(_FEWEST_SERIALS_A_DAY, 10 * used // days)
    with suppress(sqlite3.Error):
        ahead = max(ahead, _serials_used(before)[0] - used)
    room = 10 ** (_SSCC_DIGITS - len(site.gs1.company_prefix))
    if used + ahead >= room:
        raise BackupBad(
            f"{ahead} SSCC serials should be passed over, but of {room} only {room - used} are"
            " left. Find the last serial that was printed, and say by --serials-ahead how many"
            f" were used after {used}."
        )
    return ahead


def _serials_used(path: Path) -> tuple[int, datetime | None]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as conn:
        row = conn.execute("SELECT value FROM counters WHERE name = 'sscc'").fetchone()
        first = conn.execute("SELECT min(received) FROM orders").fetchone()[0]
    return (row[0] if row else 0), (datetime.fromisoformat(first) if first else None)


def _into_one_file(path: Path) -> None:
    """Nothing may be left in a log beside it when the file is moved."""
    with closing(sqlite3.connect(path, isolation_level=None)) as conn:
        busy, _, _ = conn.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    if busy:
        raise BackupBad(f"{path} is in use by another program. Nothing was replaced.")


def _put_aside(path: Path, now: datetime) -> Path | None:
    if not path.exists():
        return None
    aside = path.with_name(f"{path.name}.replaced-{now:%Y%m%dT%H%M%SZ}")
    for one, to in zip((path, *_with_wal(path)), (aside, *_with_wal(aside)), strict=True):
        if one.exists():
            one.replace(to)
    return aside


def _with_wal(path: Path) -> tuple[Path, Path]:
    return path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")
