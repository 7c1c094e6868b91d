"""Backups are taken while the gateway works, and a restored gateway prints nothing by itself."""

import asyncio
import json
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from gateway_rig import running, station
from packed_orders import finish, pack, pack_and_finish, sqlite_url, started
from typer.testing import CliRunner

from gateway.access import keys
from gateway.clock import Clock, ManualClock, SystemClock
from gateway.commands.root import app
from gateway.dispatch import holds
from gateway.errors import NotStored
from gateway.ledger.whole_check import check_whole
from gateway.restore import Restored, restore, settle
from gateway.store import jobs, sqlite
from gateway.store.backup import BackupBad, back_up, check_backup, manifest_file
from gateway.store.store import Store
from gateway.store.tables import counters, outbox
from gateway.store.work import Work
from schemas.access import AccessRole
from schemas.site import Gs1Settings, Site, StoreSettings


def site_at(folder: Path, prefix: str = "9521234") -> Site:
    """A site whose store lies in the folder."""
    return Site(
        name="room", gs1=Gs1Settings(company_prefix=prefix), station=(),
        store=StoreSettings(url=sqlite_url(folder)),
    )  # fmt: skip


def saved(folder: Path, name: str = "backup.db") -> Path:
    """A backup of the store in the folder, as the command takes it."""
    to = folder / name
    done = CliRunner().invoke(app, ["store", "backup", str(to), "--site", str(folder / "room.db")])
    assert 0 == done.exit_code, done.output
    return to


async def put_back(
    backup: Path, site: Site, clock: Clock, serials_ahead: int | None = None
) -> Restored:
    """Restore off the loop, as the command does without one."""
    return await asyncio.to_thread(restore, backup, site, clock, serials_ahead=serials_ahead)


def value_of(conn: sa.Connection, name: str) -> int:
    """A durable counter."""
    found: int = conn.execute(
        sa.select(counters.c.value).where(counters.c.name == name)
    ).scalar_one()
    return found


def in_words(found: Any) -> list[tuple[str, str]]:
    """Holds by station and kind."""
    return [(hold.station, hold.kind) for hold in found]


@pytest.fixture
def clock() -> ManualClock:
    """Time that a test moves."""
    return ManualClock(SystemClock().now())


async def test_backup_beside_a_writing_gateway_is_one_whole_state(tmp_path: Path) -> None:
    """While orders come in, a backup ends, and what it holds is a whole ledger at one moment."""
    async with running(tmp_path, station("bench")) as rig:
        stop = asyncio.Event()

        async def scan_on() -> int:
            number = 0
            while not stop.is_set():
                await rig.scan("bench", f"SO-{number}")
                await rig.job_in(f"SO-{number}", "printed", "closed")
                number += 1
            return number

        scanning = asyncio.create_task(scan_on())
        to = tmp_path / "saved.db"
        run = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "gateway", "store", "backup", to, "--json", "--site", rig.db,
            stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        said, _ = await run.communicate()
        stop.set()
        assert 0 < await scanning
        manifest = check_backup(to)
        assert json.loads(said)["sha256"] == manifest.sha256
        assert 0o600 == to.stat().st_mode & 0o777
    engine = sqlite.reading_engine(f"sqlite:///{to}")
    with engine.connect() as conn:
        report = check_whole(conn, tmp_path)
    engine.dispose()
    assert report.ok
    assert (manifest.entries, manifest.root) == (report.chain.head.seq, report.root)


async def test_restored_gateway_prints_nothing_again(tmp_path: Path) -> None:
    """What waited in the backup and was printed since is not printed again: the lane asks."""
    async with running(tmp_path, station("bench", verify="none")) as rig:
        await rig.act("/v1/stations/bench/hold")
        await rig.scan("bench", "SO-1")
        backup = tmp_path / "saved.db"
        back_up(rig.db, backup, site="rig", release="test", now=SystemClock().now())
        await rig.act("/v1/stations/bench/release")
        await rig.job_in("SO-1", "printed", "closed")
        printed = rig.stations["bench"].printed_count
        await rig.stop_gateway()
        await put_back(backup, rig.gateway.site, SystemClock())
        await rig.start_gateway()
        assert "stale" == (await rig.jobs("SO-1"))[-1]["state"]
        held = (await rig.view("bench"))["held"]
        assert "restored" == held["kind"]
        assert "Restored from a backup of" in held["text"]
        assert 409 != (await rig.act("/v1/stations/bench/release")).status_code
        await rig.scan("bench", "SO-2")
        await rig.job_in("SO-2", "printed", "closed")
        assert "stale" == (await rig.jobs("SO-1"))[-1]["state"]
        assert printed + 1 == rig.stations["bench"].printed_count
        await rig.check_ledger()


async def test_no_serial_is_given_twice(tmp_path: Path, clock: ManualClock) -> None:
    """After a restore SSCC serials begin above all that were given since, days later too."""
    with started(sqlite_url(tmp_path), clock) as store:
        await store.write(lambda work: pack_and_finish(work, "SO-1"))
        backup = saved(tmp_path)
        await store.write(lambda work: work.next_number("sscc", 5000))
        given = await store.read(lambda conn: value_of(conn, "sscc"))
    clock.advance(3 * 86_400)
    done = await put_back(backup, site_at(tmp_path), clock)
    with started(sqlite_url(tmp_path), clock) as store:
        assert given < await store.write(lambda work: work.next_number("sscc"))
    assert done.replaced is not None
    lost = tmp_path / "lost"
    lost.mkdir()
    done = await put_back(backup, site_at(lost), clock)
    assert 3000 <= done.serials_ahead
    assert done.replaced is None


async def test_full_prefix_is_told_before_anything_is_replaced(
    tmp_path: Path, clock: ManualClock
) -> None:
    """Where the company prefix has no room to jump, a person must say how far."""
    with started(sqlite_url(tmp_path), clock) as store:
        await store.write(lambda work: work.next_number("sscc", 9900))
    backup = saved(tmp_path)
    before = (tmp_path / "room.db").read_bytes()
    with pytest.raises(BackupBad, match="--serials-ahead"):
        await put_back(backup, site_at(tmp_path, "952123412345"), clock)
    assert before == (tmp_path / "room.db").read_bytes()
    done = await put_back(backup, site_at(tmp_path, "952123412345"), clock, serials_ahead=20)
    assert 20 == done.serials_ahead


async def test_key_that_was_revoked_since_stays_revoked(tmp_path: Path, clock: ManualClock) -> None:
    """A lost key that was ended after the backup opens nothing in the restored store; others do."""
    made: dict[str, str] = {}

    def make(work: Work, name: str) -> None:
        key, _ = keys.new(
            work, name=name, role=AccessRole.SENDER, stations=(), expires=None, by="test"
        )
        made[name] = key.key_id

    with started(sqlite_url(tmp_path), clock) as store:
        for name in ("lost", "kept"):
            await store.write(partial(make, name=name))
        to = saved(tmp_path)
        await store.write(lambda work: keys.revoke(work, made["lost"], reason="lost", by="test"))
    done = await put_back(to, site_at(tmp_path), clock)
    assert 1 == done.revoked
    with started(sqlite_url(tmp_path), clock) as store:
        found = {one.name: one.revoked for one in store.read_now(keys.listed)}
        report = store.read_now(lambda conn: check_whole(conn, tmp_path))
    assert found == {"lost": clock.now(), "kept": None}
    assert report.ok


async def test_older_hold_gives_way_and_is_remembered(tmp_path: Path, clock: ManualClock) -> None:
    """A lane that was held in the backup is held anew, and the older reason stands in the text."""
    with started(sqlite_url(tmp_path), clock) as store:
        await store.write(lambda work: pack(work, "SO-1"))
        await store.write(lambda work: holds.open_hold(work, "bench", "jam", "A bag jammed."))
    await put_back(saved(tmp_path), site_at(tmp_path), clock)
    with started(sqlite_url(tmp_path), clock) as store:
        (held,) = await store.read(holds.open_holds)
        assert "restored" == held.kind
        assert "A bag jammed." in held.text


async def test_outgoing_events_get_numbers_of_their_own(tmp_path: Path, clock: ManualClock) -> None:
    """Events told after a restore carry no number that was used between backup and restore."""
    with started(sqlite_url(tmp_path), clock) as store:
        await store.write(lambda work: pack(work, "SO-1"))
        backup = saved(tmp_path)
        for number in range(20):
            await store.write(lambda work, n=number: pack_and_finish(work, f"LATER-{n}"))
        told = await store.read(lambda c: c.execute(sa.select(sa.func.max(outbox.c.id))).scalar())
    with closing(sqlite3.connect(backup)) as conn:
        (kept,) = conn.execute("SELECT max(id) FROM outbox").fetchone()
    await put_back(backup, site_at(tmp_path), clock)
    with started(sqlite_url(tmp_path), clock) as store:
        await store.write(lambda work: pack(work, "SO-2"))
        numbers = await store.read(
            lambda c: list(c.execute(sa.select(outbox.c.id).order_by(outbox.c.id)).scalars())
        )
    assert all(number > told for number in numbers if number > kept)


def test_damaged_backup_is_refused(tmp_path: Path, clock: ManualClock) -> None:
    """A changed byte, a missing manifest: neither is restored, and the store stays as it is."""
    with started(sqlite_url(tmp_path), clock):
        pass
    backup = saved(tmp_path)
    good = backup.read_bytes()
    backup.write_bytes(good[:5000] + bytes([good[5000] ^ 1]) + good[5001:])
    with pytest.raises(BackupBad, match="damaged or changed"):
        restore(backup, site_at(tmp_path), clock)
    assert 1 == CliRunner().invoke(app, ["store", "check", "--backup", str(backup)]).exit_code
    backup.write_bytes(good)
    assert 0 == CliRunner().invoke(app, ["store", "check", "--backup", str(backup)]).exit_code
    manifest_file(backup).unlink()
    with pytest.raises(BackupBad, match="manifest"):
        restore(backup, site_at(tmp_path), clock)
    assert [] == [path.name for path in tmp_path.iterdir() if "restoring" in path.name]


async def test_backup_with_a_broken_ledger_is_refused(tmp_path: Path, clock: ManualClock) -> None:
    """A backup whose manifest fits but whose ledger was changed is not put in place."""
    with started(sqlite_url(tmp_path), clock) as store:
        await store.write(lambda work: pack(work, "SO-1"))
    with closing(sqlite3.connect(tmp_path / "room.db")) as conn, conn:
        conn.execute("DROP TRIGGER entries_stay_as_they_are")
        conn.execute("UPDATE entries SET order_id = 'other' WHERE seq = 2")
    with pytest.raises(BackupBad, match="not whole"):
        await put_back(saved(tmp_path), site_at(tmp_path), clock)


def test_backup_overwrites_nothing_and_restore_wants_the_store_alone(
    tmp_path: Path, clock: ManualClock
) -> None:
    """A name that is taken is refused; so is a restore beside a running gateway."""
    with started(sqlite_url(tmp_path), clock):
        backup = saved(tmp_path)
        words = ["store", "backup", str(backup), "--site", str(tmp_path / "room.db")]
        assert 2 == CliRunner().invoke(app, words).exit_code
        with pytest.raises(NotStored, match="Another gateway runs"):
            restore(backup, site_at(tmp_path), clock)


def test_unsound_store_is_told(tmp_path: Path, clock: ManualClock) -> None:
    """`store check` names a ledger whose end is gone, and says when all is well."""
    with started(sqlite_url(tmp_path), clock) as store:
        asyncio.run(store.write(lambda work: pack(work, "SO-1")))
    words = ["store", "check", "--json", "--site", str(tmp_path / "room.db")]
    assert 0 == CliRunner().invoke(app, words).exit_code
    with closing(sqlite3.connect(tmp_path / "room.db")) as conn, conn:
        conn.execute("DROP TRIGGER entries_stay")
        conn.execute("DELETE FROM entries WHERE seq > 2")
    done = CliRunner().invoke(app, words)
    assert 1 == done.exit_code
    assert "ends at entry 2" in done.stdout


@pytest.fixture
def shared(postgres_url: str, clock: ManualClock) -> Iterator[Store]:
    """A PostgreSQL store."""
    with started(postgres_url, clock) as store:
        yield store


async def test_postgres_restored_by_its_own_tool_is_made_safe(
    shared: Store, clock: ManualClock
) -> None:
    """What `store mark-restored` does: lanes held, labels ask, numbers jump, the chain whole."""
    job_id = await shared.write(lambda work: pack(work, "SO-1"))
    done = await shared.write(lambda work: pack(work, "SO-2"))
    await shared.write(lambda work: finish(work, done))
    made = clock.now() - timedelta(hours=2)
    held, asking = await shared.write(lambda work: settle(work, ["bench", "line"], made, 5000))
    assert (2, 1) == (held, asking)
    assert [("bench", "restored"), ("line", "restored")] == sorted(
        in_words(await shared.read(holds.open_holds))
    )
    job = await shared.read(lambda conn: jobs.find(conn, job_id))
    assert job is not None
    assert "stale" == job.state
    assert 5000 < await shared.read(lambda conn: value_of(conn, "sscc"))
    await shared.write(lambda work: pack(work, "SO-3"))
    newest = await shared.read(lambda c: c.execute(sa.select(sa.func.max(outbox.c.id))).scalar())
    assert newest is not None
    assert 1_000_000 < newest
    report = await shared.read(lambda conn: check_whole(conn, Path()))
    assert report.ok
