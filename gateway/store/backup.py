"""Backups of a SQLite store, made while the gateway runs, each with a manifest that proves it."""

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Literal

from pydantic import ValidationError

from gateway.ledger.merkle import CompactRange
from schemas.base import Instant, Record, Sha256

_PAGES = 512
Tell = Callable[[int, int], None]
"""Told how many pages are copied, and of how many."""


class BackupBad(ValueError):
    """A backup that can't be made, or isn't what its manifest says."""


class ArchivedPart(Record):
    """An archive file that the store refers to; it is not in the backup."""

    file: str
    sha256: Sha256


class Manifest(Record):
    """What a backup holds. It lies beside the backup, as `NAME.json`."""

    type: Literal["bagrelay.store.backup.v1"] = "bagrelay.store.backup.v1"
    site: str
    release: str
    made: Instant
    file: str
    bytes: int
    sha256: Sha256
    tables: str
    """Revision of the tables."""
    entries: int
    """The ledger's size."""
    last_hash: Sha256
    root: Sha256
    archives: tuple[ArchivedPart, ...]
    """Ledger parts that must be kept beside the backup."""


def manifest_file(backup: Path) -> Path:
    """Where a backup's manifest lies."""
    return backup.with_name(backup.name + ".json")


def back_up(
    store: Path, to: Path, *, site: str, release: str, now: datetime, tell: Tell | None = None
) -> Manifest:
    """Copy the store as it is at one instant, check the copy, and write its manifest.

    Writers go on meanwhile; what they commit after the first page is copied is not in it. `to`
    may not exist yet. Raises `BackupBad`, OSError.
    """
    if to.exists():
        raise BackupBad(f"{to} exists already: a backup never overwrites another.")
    draft = to.with_name(f"{to.name}.{os.getpid()}.part")
    try:
        os.close(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        _copy(store, draft, tell)
        manifest = _described(draft, to.name, site=site, release=release, now=now)
        _write(manifest_file(to), manifest.model_dump_json(indent=2).encode() + b"\n")
        draft.replace(to)
        _settle(to.parent)
    except sqlite3.Error as error:
        raise BackupBad(f"{store} could not be copied: {error}.") from error
    finally:
        draft.unlink(missing_ok=True)
    return manifest


def read_manifest(backup: Path) -> Manifest:
    """The manifest beside a backup. Raises `BackupBad`."""
    path = manifest_file(backup)
    try:
        return Manifest.model_validate_json(path.read_bytes())
    except OSError as error:
        raise BackupBad(
            f"{path}, the backup's manifest, can't be read: {error.strerror}."
        ) from error
    except ValidationError as error:
        raise BackupBad(f"{path} is no manifest of a backup.") from error


def check_backup(backup: Path) -> Manifest:
    """Hold a backup against its manifest, byte by byte. Raises `BackupBad`."""
    manifest = read_manifest(backup)
    try:
        size, digest = backup.stat().st_size, _digest(backup)
    except OSError as error:
        raise BackupBad(f"{backup} can't be read: {error.strerror}.") from error
    if size != manifest.bytes or digest != manifest.sha256:
        raise BackupBad(
            f"{backup} is not the file that its manifest describes: it was damaged or changed."
            " Take another backup."
        )
    return manifest


def copy_backup(backup: Path, to: Path) -> None:
    """Copy a checked backup, durable. Raises OSError."""
    with backup.open("rb") as source, to.open("wb") as target:
        while block := source.read(1 << 20):
            target.write(block)
        target.flush()
        os.fsync(target.fileno())
    to.chmod(0o600)


def _copy(store: Path, draft: Path, tell: Tell | None) -> None:
    source = sqlite3.connect(f"file:{store}?mode=ro", uri=True, timeout=30, isolation_level=None)
    with closing(source), closing(sqlite3.connect(draft, isolation_level=None)) as target:
        # an open read transaction keeps one state; else every commit would start the copy anew
        source.execute("BEGIN")
        source.execute("SELECT count(*) FROM ledger_head").fetchone()
        source.backup(
            target,
            pages=_PAGES,
            progress=lambda _state, left, total: tell(total - left, total) if tell else None,
            sleep=0,
        )
        target.execute("PRAGMA journal_mode=DELETE")
        found = target.execute("PRAGMA integrity_check").fetchone()
        if found != ("ok",):
            raise BackupBad(f"The copy of {store} is damaged, and so is the store: {found[0]}")
    with draft.open("rb+") as copied:
        os.fsync(copied.fileno())


def _described(copy: Path, name: str, *, site: str, release: str, now: datetime) -> Manifest:
    with closing(sqlite3.connect(f"file:{copy}?mode=ro", uri=True)) as conn:
        size, last_hash, tree = conn.execute(
            'SELECT size, last_hash, "range" FROM ledger_head'
        ).fetchone()
        tables = conn.execute("SELECT version_num FROM alembic_version").fetchone()[0]
        parts = conn.execute('SELECT file, sha256 FROM archives ORDER BY "last"').fetchall()
    return Manifest(
        site=site,
        release=release,
        made=now,
        file=name,
        bytes=copy.stat().st_size,
        sha256=_digest(copy),
        tables=tables,
        entries=size,
        last_hash=last_hash,
        root=CompactRange.restore(tree).root().hex(),
        archives=tuple(ArchivedPart(file=file, sha256=digest) for file, digest in parts),
    )


def _digest(path: Path) -> str:
    digest = sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def _write(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _settle(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
