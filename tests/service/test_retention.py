"""Payloads and old records leave in time, the ledger moves to files, and all still verifies."""

import asyncio
import gzip
import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from packed_orders import NAME, finish, pack, pack_and_finish, sqlite_url, started
from typer.testing import CliRunner

from gateway.clock import ManualClock
from gateway.commands.root import app
from gateway.errors import NotFound
from gateway.ledger import archive_file, checkpoints
from gateway.ledger.archiving import archive_before
from gateway.ledger.checkpoint import new_key
from gateway.ledger.evidence_store import order_proof
from gateway.ledger.proof import check_proof, to_text
from gateway.ledger.stored_tree import Archived
from gateway.ledger.whole_check import WholeReport, check_whole
from gateway.queues import outbox
from gateway.store.retention import Due, due_now, erase_due
from gateway.store.store import Store
from gateway.store.tables import entries, events, jobs, labels, merkle_nodes, orders
from gateway.upkeep import Upkeep
from schemas.ledger import EntryKind
from schemas.site import Gs1Settings, LedgerSettings, Site, StoreSettings

DAY_S = 86_400.0
SETTINGS = StoreSettings(keep_payloads_days=10, keep_records_days=40)


@pytest.fixture
def clock() -> ManualClock:
    """Time that a test moves."""
    return ManualClock()


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path: Path, clock: ManualClock) -> Iterator[Store]:
    """A store of each kind."""
    if request.param == "sqlite":
        url = sqlite_url(tmp_path)
    else:
        url = request.getfixturevalue("postgres_url")
    with started(url, clock) as one:
        yield one


async def put(store: Store, *order_ids: str) -> None:
    """Orders that are packed and verified."""
    for order_id in order_ids:
        await store.write(lambda work, name=order_id: pack_and_finish(work, name))


async def sign(store: Store, clock: ManualClock, key: Any) -> None:
    """A checkpoint over what is there."""
    signed = await store.read(lambda conn: checkpoints.sign_now(conn, key, "room", clock.now()))
    assert signed is not None
    await store.write(lambda work: checkpoints.keep(work, signed, to_send=False))


async def whole(store: Store, folder: Path) -> WholeReport:
    """The check of files and store together."""
    return await store.read(lambda conn: check_whole(conn, folder, whole_tree=True))


async def kept(store: Store) -> dict[str, int]:
    """How many payloads are still there."""
    columns = {"orders": orders.c.content, "labels": labels.c.content, "events": events.c.raw}
    return {
        name: await store.read(
            lambda conn, c=column: conn.execute(sa.select(sa.func.count(c))).scalar_one()
        )
        for name, column in columns.items()
    }


async def rows(store: Store, table: sa.Table) -> int:
    """How many rows a table has."""
    query = sa.select(sa.func.count()).select_from(table)
    count: int = await store.read(lambda conn: conn.execute(query).scalar_one())
    return count


async def test_old_payloads_go_and_the_chain_stays_whole(
    store: Store, clock: ManualClock, tmp_path: Path
) -> None:
    """After their days orders, labels and events as they came are gone, each told in the ledger."""
    await put(store, "SO-1", "SO-2")
    clock.advance(9 * DAY_S)
    await put(store, "SO-3")
    clock.advance(2 * DAY_S)
    due = Due.at(clock.now(), SETTINGS)
    counted = await store.read(lambda conn: due_now(conn, due))
    erased = await erase_due(store, due)
    assert (2, 2, 2) == (erased.orders, erased.labels, erased.events)
    assert counted == erased
    assert {"orders": 1, "labels": 1, "events": 1} == await kept(store)
    told = await store.read(
        lambda conn: conn.execute(
            sa.select(entries.c.order_id, entries.c.canonical).where(
                entries.c.kind == EntryKind.ERASED
            )
        ).all()
    )
    digests = [json.loads(bytes(row.canonical))["data"] for row in told]
    assert ["SO-1", "SO-2"] == [row.order_id for row in told if row.order_id]
    assert {"order", "labels", "events"} == {data["what"] for data in digests}
    assert (await whole(store, tmp_path)).ok
    assert not (await erase_due(store, due)).any()


async def test_live_orders_keep_everything(store: Store, clock: ManualClock) -> None:
    """An order whose label is still on its way keeps order and label, however old it is."""
    job_id = await store.write(lambda work: pack(work, "SO-1"))
    clock.advance(500 * DAY_S)
    due = Due.at(clock.now(), SETTINGS)
    erased = await erase_due(store, due)
    assert (0, 0, 0) == (erased.orders, erased.labels, erased.records)
    assert 1 == (await kept(store))["orders"] == (await kept(store))["labels"]
    await store.write(lambda work: finish(work, job_id))
    erased = await erase_due(store, due)
    assert (1, 0, 0) == (erased.orders, erased.labels, erased.records)
    clock.advance(41 * DAY_S)
    erased = await erase_due(store, Due.at(clock.now(), SETTINGS))
    assert 1 == erased.records
    assert 0 == await rows(store, orders) == await rows(store, jobs) == await rows(store, labels)


async def test_erased_address_is_not_left_in_the_file(tmp_path: Path, clock: ManualClock) -> None:
    """After erasing, neither the database file nor its log holds the name any longer."""
    with started(sqlite_url(tmp_path), clock) as store:
        raw = (NAME * 2000).encode()
        await store.write(lambda work: finish(work, pack(work, "SO-1", raw=raw)))
        clock.advance(11 * DAY_S)
        await erase_due(store, Due.at(clock.now(), SETTINGS))
    import sqlite3

    with sqlite3.connect(tmp_path / "room.db") as conn:
        conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    conn.close()
    files = [path for path in tmp_path.iterdir() if path.name.startswith("room.db")]
    assert [] == [path.name for path in files if NAME.encode() in path.read_bytes()]


async def test_archived_entries_verify_alone_and_with_the_rest(
    store: Store, clock: ManualClock, tmp_path: Path
) -> None:
    """Old entries leave for files; each file is whole, and so are files and store together."""
    key, folder = new_key(), tmp_path / "archive"
    for number in range(3):
        await put(store, *(f"SO-{number}-{n}" for n in range(4)))
        await sign(store, clock, key)
        clock.advance(DAY_S)
    before = (await whole(store, folder)).chain.head.seq
    for day in (2, 1):
        made = await archive_before(store, folder, clock.now() - timedelta(days=day, hours=-1))
        assert made is not None
        file = archive_file.read(folder / made.file)
        assert archive_file.check(file, key.public_key()).ok
        assert made.sha256 == archive_file.digest_of(file.path)
    first_kept = await store.read(
        lambda conn: conn.execute(sa.select(sa.func.min(entries.c.seq))).scalar_one()
    )
    assert made.last + 1 == first_kept
    report = await whole(store, folder)
    assert report.ok, (report.chain.text, report.faults)
    assert before + 2 == report.chain.entries
    assert 3 == report.chain.checkpoints
    assert await archive_before(store, folder, clock.now() - timedelta(days=9)) is None


async def test_missing_archive_file_is_told_and_the_rest_still_verifies(
    store: Store, clock: ManualClock, tmp_path: Path
) -> None:
    """Without the file the rest verifies from its end on, and a proof says which file to bring."""
    key, folder = new_key(), tmp_path / "archive"
    site = Site(
        name="room", gs1=Gs1Settings(company_prefix="9521234"), station=(),
        store=StoreSettings(url=store.url), ledger=LedgerSettings(archive_dir=folder),
    )  # fmt: skip

    async def proof(order_id: str) -> str:
        return to_text(
            await store.read(lambda conn: order_proof(conn, order_id, site, lambda: key, clock))
        )

    await put(store, *(f"OLD-{n}" for n in range(5)))
    await sign(store, clock, key)
    clock.advance(DAY_S)
    made = await archive_before(store, folder, clock.now())
    assert made is not None
    await put(store, "NEW")
    assert check_proof(await proof("OLD-3"), key.public_key()).ok
    (folder / made.file).rename(tmp_path / made.file)
    report = await whole(store, folder)
    assert report.ok
    assert made.file in report.notes[0]
    with pytest.raises(Archived, match=made.file):
        await proof("OLD-3")
    assert check_proof(await proof("NEW"), key.public_key()).ok
    (tmp_path / made.file).rename(folder / made.file)
    with pytest.raises(NotFound, match="nothing about"):
        await proof("never")


async def test_damaged_archive_file_is_found(tmp_path: Path, clock: ManualClock) -> None:
    """A file that was changed or cut short fails alone and with the rest, by command too."""
    key, folder = new_key(), tmp_path / "archive"
    with started(sqlite_url(tmp_path), clock) as store:
        await put(store, "SO-1", "SO-2")
        await sign(store, clock, key)
        clock.advance(DAY_S)
        made = await archive_before(store, folder, clock.now())
        assert made is not None
        path = folder / made.file
        good = path.read_bytes()
        verify = ["ledger", "verify", "--archive", str(path)]
        assert 0 == CliRunner().invoke(app, verify).exit_code
        text = gzip.decompress(good)
        for bad in (
            good[:-40],
            gzip.compress(text.replace(b"bench", b"bunch")),
            gzip.compress(b"\n".join(text.split(b"\n")[:-2]) + b"\n"),
            gzip.compress(text + text.split(b"\n")[-2] + b"\n"),
        ):
            path.write_bytes(bad)
            assert 1 == CliRunner().invoke(app, verify).exit_code
            assert not (await whole(store, folder)).ok
        path.write_bytes(good[:60] + b"\xff" * 8 + good[68:])  # no gzip stream any more
        assert 2 == CliRunner().invoke(app, verify).exit_code
        assert not (await whole(store, folder)).ok


async def test_crash_between_file_and_deletion_is_finished_later(
    store: Store, clock: ManualClock, tmp_path: Path
) -> None:
    """The file was written and nothing deleted yet: the check holds, the next run ends it."""
    from gateway.ledger import archiving

    key, folder = new_key(), tmp_path / "archive"
    await put(store, "SO-1", "SO-2")
    await sign(store, clock, key)
    clock.advance(DAY_S)
    signed = await store.read(checkpoints.latest)
    assert signed is not None
    made = await store.read(lambda conn: archiving._write(conn, folder, signed))
    await store.write(lambda work: archiving._remember(work, made))
    assert (await whole(store, folder)).ok
    assert await archive_before(store, folder, clock.now()) is None
    first = await store.read(
        lambda conn: conn.execute(sa.select(sa.func.min(entries.c.seq))).scalar_one()
    )
    assert made.last + 1 == first
    assert (await whole(store, folder)).ok


@pytest.mark.slow
async def test_store_stays_bounded_over_a_year(tmp_path: Path, clock: ManualClock) -> None:
    """A year of orders, kept 40 days: the tables and the file stop growing, the ledger is whole."""
    folder = tmp_path / "archive"
    site = Site(
        name="room", gs1=Gs1Settings(company_prefix="9521234"), station=(),
        store=SETTINGS.model_copy(update={"url": sqlite_url(tmp_path)}),
        ledger=LedgerSettings(archive_dir=folder, archive_after_days=40),
    )  # fmt: skip
    key = new_key()
    sizes: dict[int, tuple[int, int]] = {}
    tables = (orders, jobs, labels, events, entries)
    with started(site.store.url, clock) as store:
        upkeep = Upkeep(site, store, clock)
        for day in range(1, 366):

            def work_day(work: Any, day: int = day) -> None:
                for number in range(4):
                    pack_and_finish(work, f"SO-{day}-{number}")

            await store.write(work_day)
            if not day % 5:
                await sign(store, clock, key)
                await upkeep.once()
                await store.write(lambda work: outbox.prune(work, [], 40))
            clock.advance(DAY_S)
            if day in (100, 365):
                total = sum([await rows(store, table) for table in tables])
                pages = await store.read(
                    lambda conn: conn.exec_driver_sql("PRAGMA page_count").scalar_one()
                )
                sizes[day] = total, pages
        assert (await whole(store, folder)).ok
        assert await rows(store, orders) < 50 * 4
        assert await rows(store, merkle_nodes) < 365 * 4
    assert sizes[365][0] <= sizes[100][0] * 1.1
    assert sizes[365][1] <= sizes[100][1] * 1.15


async def test_upkeep_runs_in_the_gateway(tmp_path: Path) -> None:
    """A gateway that starts erases what came due while it was off."""
    from gateway_rig import running, sees, station

    clock = ManualClock()
    async with running(tmp_path, station("bench"), clock=clock) as rig:
        await rig.scan("bench", "SO-1")
        await rig.job_in("SO-1", "printed", "closed")
        job = (await rig.jobs("SO-1"))[-1]
        await rig.stop_gateway()
        with started(f"sqlite:///{rig.db}", clock) as store:
            await asyncio.to_thread(lambda: None)
            await store.write(lambda work: _close(work, job["job_id"]))
        clock.advance(91 * DAY_S)
        await rig.start_gateway()

        def erased() -> bool:
            found: int = rig.gateway.store.read_now(
                lambda conn: conn.execute(sa.select(sa.func.count(orders.c.content))).scalar_one()
            )
            return found == 0

        await sees(erased, "the order's content to be erased")
        assert (await rig.story("SO-1"))["erased"]


def _close(work: Any, job_id: str) -> None:
    from gateway.dispatch.moves import move
    from gateway.store import jobs as job_rows
    from schemas.job import JobState

    job = job_rows.find(work.conn, job_id)
    assert job is not None
    if job.state is not JobState.CLOSED:
        move(work, job, JobState.CLOSED, "test")
