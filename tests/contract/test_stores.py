"""The store's promises, on SQLite and on PostgreSQL: one test, both engines."""

import asyncio
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy.exc import DatabaseError, DBAPIError, IntegrityError

import gateway.app  # the composition root: every table is known once it is read
from gateway.clock import ManualClock, SystemClock
from gateway.dispatch import lease as leases
from gateway.dispatch import moves
from gateway.dispatch.lease import Lease, LeaseLost
from gateway.errors import NotAllowedNow, NotStored
from gateway.ledger import chain
from gateway.ledger import entries as ledger
from gateway.ledger.merkle import CompactRange, leaf_hash
from gateway.store import jobs, postgres, sqlite, tables
from gateway.store.jobs import JobRow, NewJob
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.job import JobState
from schemas.ledger import EntryKind
from tests.service.conftest import postgres_server, postgres_url

__all__ = ["gateway", "postgres_server", "postgres_url"]


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty store of each kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'store.db'}"
    own: str = request.getfixturevalue("postgres_url")
    return own


@pytest.fixture
async def store(url: str) -> AsyncIterator[Store]:
    """A started store."""
    started = Store(url, SystemClock())
    await asyncio.to_thread(started.start)
    yield started
    await asyncio.to_thread(started.close)


@pytest.fixture
def other_way_in(url: str, store: Store) -> Iterator[sa.Engine]:
    """A connection past our code, as a person with a database tool has."""
    engine = sa.create_engine(url)
    yield engine
    engine.dispose()


_PARCEL = '{"bag": {"id": "b", "width_mm": 300, "length_mm": 400}}'


def _put_order(work: Work, name: str) -> None:
    now = work.now
    work.conn.execute(
        sa.insert(tables.orders).values(
            order_id=name, scan_code=name, received=now, changed=now, station="s1",
            outcome="packed", content_sha256="0" * 64, content=b"{}", decision="{}",
        )
    )  # fmt: skip
    work.conn.execute(
        sa.insert(tables.parcels).values(
            parcel_id=f"p-{name}", order_id=name, number=1, of=1, parcel=_PARCEL, created=now
        )
    )
    work.conn.execute(
        sa.insert(tables.labels).values(
            sha256=f"l-{name}", language="zpl", content=b"^XA^XZ", created=now
        )
    )


def _put_job(work: Work, name: str, station: str = "s1") -> JobRow:
    _put_order(work, name)
    new = NewJob(f"j-{name}", name, f"p-{name}", station, f"l-{name}", None, (name,))
    jobs.insert(work.conn, new, work.next_number("lane"), work.now)
    found = jobs.find(work.conn, f"j-{name}")
    assert found is not None
    return found


def _note(work: Work) -> int:
    return work.record(EntryKind.STATION_STATE, station="s1")


async def _entries(store: Store) -> int:
    return await store.read(
        lambda conn: (
            conn.execute(sa.select(sa.func.count()).select_from(tables.entries)).scalar() or 0
        )
    )


async def test_migrations_make_the_tables_that_the_code_means(store: Store) -> None:
    """Nothing to add, drop or change between the migrated store and the table definitions."""

    def differences(work: Work) -> list[object]:
        context = MigrationContext.configure(
            work.conn, opts={"compare_type": True, "compare_server_default": False}
        )
        return list(compare_metadata(context, tables.metadata))

    assert [] == await store.write(differences)


async def test_migrations_make_the_checks_that_the_code_means(store: Store) -> None:
    """Closed sets hold in the migrated store too: a comparison of tables does not see checks."""
    meant = {
        (table.name, str(check.name).removeprefix(f"ck_{table.name}_"))
        for table in tables.metadata.tables.values()
        for column in table.columns
        for check in column.constraints
        if isinstance(check, sa.CheckConstraint)
    }

    def made(conn: sa.Connection) -> set[tuple[str, str]]:
        look = sa.inspect(conn)
        return {
            (name, str(check["name"]).removeprefix(f"ck_{name}_"))
            for name in look.get_table_names()
            for check in look.get_check_constraints(name)
        }

    assert meant == await store.read(made)


async def test_step_that_returned_is_seen_by_every_other_connection(
    store: Store, other_way_in: sa.Engine
) -> None:
    """Durable means committed, not promised."""
    await store.write(lambda work: _put_job(work, "a"))
    with other_way_in.connect() as conn:
        assert ["a"] == conn.execute(sa.select(tables.orders.c.order_id)).scalars().all()


async def test_many_steps_at_once_all_commit_and_the_ledger_is_one_chain(store: Store) -> None:
    """Groups change nothing of the order: numbers without gaps, a chain that verifies."""
    numbers = await asyncio.gather(*(store.write(_note) for _ in range(300)))
    assert list(range(1, 301)) == sorted(numbers)
    report = await store.read(lambda conn: chain.verify(ledger.stored_rows(conn)))
    assert (True, 300) == (report.ok, report.entries)


async def test_tree_head_is_that_of_the_entries(store: Store) -> None:
    """The stored compact range is what hashing all entries anew gives (RFC 9162)."""
    await asyncio.gather(*(store.write(_note) for _ in range(37)))

    def both(conn: sa.Connection) -> tuple[str, str]:
        anew = CompactRange.restore("0" * 16)
        for row in conn.execute(
            sa.select(tables.entries.c.canonical).order_by(tables.entries.c.seq)
        ):
            list(anew.append(leaf_hash(row.canonical)))
        kept = conn.execute(sa.select(tables.ledger_head.c.range)).scalar_one()
        return anew.serialise(), kept

    anew, kept = await store.read(both)
    assert anew == kept


async def test_step_that_raises_is_undone_alone(store: Store) -> None:
    """Its neighbours of the same group commit; its rows, entries and events are gone."""

    def breaks(work: Work) -> None:
        _put_order(work, "broken")
        _note(work)
        raise ValueError("no")

    results = await asyncio.gather(
        *(store.write(_note if n % 2 else breaks) for n in range(20)),  # type: ignore[arg-type]
        return_exceptions=True,
    )
    assert 10 == sum(isinstance(result, ValueError) for result in results)
    assert 10 == await _entries(store)
    assert [] == await store.read(lambda conn: conn.execute(sa.select(tables.orders)).all())
    assert (await store.read(lambda conn: chain.verify(ledger.stored_rows(conn)))).ok


async def test_move_whose_entry_cannot_be_written_did_not_happen(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """State and ledger commit together or not at all."""
    job = await store.write(lambda work: _put_job(work, "a"))

    def no_entry(*_: object, **__: object) -> int:
        raise RuntimeError("no entry")

    with monkeypatch.context() as patch:
        patch.setattr(Work, "record", no_entry)
        with pytest.raises(RuntimeError):
            await store.write(lambda work: moves.move(work, job, JobState.SENDING, "test"))
    again = await store.read(lambda conn: jobs.find(conn, "j-a"))
    assert again is not None
    assert JobState.QUEUED is again.state
    await store.write(lambda work: moves.move(work, job, JobState.SENDING, "test"))
    assert 1 == await _entries(store)


async def test_two_at_once_only_one_moves_a_job(store: Store) -> None:
    """The second finds the state changed and is told so."""
    job = await store.write(lambda work: _put_job(work, "a"))
    results = await asyncio.gather(
        *(store.write(lambda work: moves.move(work, job, JobState.CANCELLED, "x")) for _ in "ab"),
        return_exceptions=True,
    )
    assert [JobRow, NotAllowedNow] == sorted((type(r) for r in results), key=lambda t: t.__name__)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET kind = 'x' WHERE seq = 1",
        "UPDATE entries SET hash = hash WHERE seq = 1",
        "DELETE FROM entries WHERE seq = 1",
        "DELETE FROM entries",
    ],
)
async def test_database_itself_refuses_to_change_the_ledger(
    store: Store, other_way_in: sa.Engine, statement: str
) -> None:
    """Whoever comes past our code can't change or remove an entry by a plain statement."""
    await asyncio.gather(*(store.write(_note) for _ in range(3)))
    with other_way_in.connect() as conn, pytest.raises(DBAPIError, match="append-only"):
        conn.execute(sa.text(statement))
    assert 3 == await _entries(store)


async def test_lane_has_one_open_job(store: Store) -> None:
    """Two jobs of one station can't be sent at once, whatever the code does; two stations can."""
    for name, station in (("a", "s1"), ("b", "s1"), ("c", "s2")):
        await store.write(lambda work, n=name, s=station: _put_job(work, n, s))  # type: ignore[misc]
    force = sa.update(tables.jobs).values(state=JobState.SENDING)
    await store.write(lambda work: work.conn.execute(force.where(tables.jobs.c.job_id == "j-a")))
    await store.write(lambda work: work.conn.execute(force.where(tables.jobs.c.job_id == "j-c")))
    doubt = sa.update(tables.jobs).values(state=JobState.IN_DOUBT)
    with pytest.raises(IntegrityError):
        await store.write(
            lambda work: work.conn.execute(doubt.where(tables.jobs.c.job_id == "j-b"))
        )


async def test_row_has_one_bag_at_a_place(store: Store) -> None:
    """Two bags can't stand at one position of a station."""
    for name in "ab":
        await store.write(lambda work, n=name: _put_job(work, n))  # type: ignore[misc]
    await store.write(lambda work: jobs.place_in_row(work.conn, "j-a", 0))
    with pytest.raises(IntegrityError):
        await store.write(lambda work: jobs.place_in_row(work.conn, "j-b", 0))


async def test_station_has_one_open_hold(store: Store) -> None:
    """A second open hold of a station is refused by the table."""
    hold = sa.insert(tables.holds).values(
        station="s1", since=datetime(2026, 1, 1, tzinfo=UTC), kind="x", text="x"
    )
    await store.write(lambda work: work.conn.execute(hold))
    with pytest.raises(IntegrityError):
        await store.write(lambda work: work.conn.execute(hold))


async def test_unknown_state_is_refused(store: Store) -> None:
    """The closed set of states lives in the database."""
    await store.write(lambda work: _put_job(work, "a"))
    with pytest.raises(IntegrityError):
        await store.write(
            lambda work: work.conn.execute(sa.update(tables.jobs).values(state="lost"))
        )


async def test_readers_cannot_write(store: Store) -> None:
    """The database keeps a reading connection from writing."""

    def write(conn: sa.Connection) -> None:
        conn.execute(sa.text("UPDATE jobs SET note = 'x'"))

    with pytest.raises(DatabaseError, match=r"read-?only"):
        await store.read(write)


async def test_number_is_never_given_twice(store: Store) -> None:
    """Blocks from a counter don't overlap, and a new process goes on behind the old one."""
    firsts = await asyncio.gather(
        *(store.write(lambda work: work.next_number("sscc", 7)) for _ in range(30))
    )
    taken = [number for first in firsts for number in range(first, first + 7)]
    assert len(taken) == len(set(taken))
    assert max(taken) < await store.write(lambda work: work.next_number("sscc"))


async def test_lanes_are_woken_after_the_commit_only(store: Store) -> None:
    """Whoever is woken finds what it was woken for; a step that failed wakes nobody."""
    seen: list[tuple[frozenset[str], int]] = []

    def woken(stations: frozenset[str]) -> None:
        count = store.read_now(lambda conn: len(conn.execute(sa.select(tables.jobs)).all()))
        seen.append((stations, count))

    store.on_wake(woken)

    def queue(work: Work) -> None:
        _put_job(work, "a")
        work.wake("s1")

    await store.write(queue)
    await store.write(_note)
    # on PostgreSQL the gateway hears its own NOTIFY too, and wakes all once it listens
    assert {(frozenset({"s1"}), 1)} == {told for told in seen if "s1" in told[0]}


async def test_closed_store_takes_nothing_and_says_so(url: str) -> None:
    """No caller waits for ever for a thread that has ended."""
    closed = Store(url, SystemClock())
    await asyncio.to_thread(closed.start)
    await asyncio.to_thread(closed.close)
    with pytest.raises(NotStored):
        await closed.write(_note)


async def test_cancelled_caller_leaves_a_whole_step(store: Store) -> None:
    """A client that hung up does not undo what others of its group wait for."""
    task = asyncio.ensure_future(store.write(_note))
    await asyncio.sleep(0)
    task.cancel()
    await store.write(_note)
    assert 2 == await _entries(store)


def test_instants_sort_as_text(clock: ManualClock) -> None:
    """One width, UTC, microseconds: text order is time order on every engine."""
    column = tables.InstantText()
    start = datetime(2026, 1, 5, 6, tzinfo=UTC)
    moments = [start + timedelta(microseconds=n * 1001) for n in range(50)]
    texts = [column.process_bind_param(moment, None) for moment in moments]  # type: ignore[arg-type]
    assert sorted(texts, key=str) == texts
    assert moments == [column.process_result_value(text, None) for text in texts]  # type: ignore[arg-type]


async def _lease(store: Store, owner: str) -> dict[str, int]:
    return await store.write(
        lambda work: leases.renew(
            work, owner, ["s1"], seconds=30, at=store.shared_now(work), alone=False
        )
    )


async def test_lane_is_leased_to_one_and_fenced_from_the_other(store: Store) -> None:
    """While a lease runs nobody else gets the lane; afterwards the old epoch is refused."""
    assert {"s1": 1} == await _lease(store, "one")
    assert {} == await _lease(store, "two")
    mine = Lease("s1", "one", 1, 0.0)
    await store.write(lambda work: leases.fence(work, mine))
    end = sa.update(tables.lanes).values(until=datetime(2020, 1, 1, tzinfo=UTC))
    await store.write(lambda work: work.conn.execute(end))
    assert {"s1": 2} == await _lease(store, "two")
    with pytest.raises(LeaseLost):
        await store.write(lambda work: leases.fence(work, mine))


async def test_lease_that_was_handed_back_is_free_at_once(store: Store) -> None:
    """A clean stop makes nobody wait."""
    await _lease(store, "one")
    await store.write(lambda work: leases.give_up(work, "one"))
    assert {"s1": 2} == await _lease(store, "two")


# What only one of the engines has


def test_sqlite_file_has_one_gateway(tmp_path: Path) -> None:
    """A second gateway on the same file would send what the first sends: it doesn't start."""
    url = f"sqlite:///{tmp_path / 'one.db'}"
    first, second = Store(url, SystemClock()), Store(url, SystemClock())
    first.start()
    try:
        with pytest.raises(NotStored, match="Another gateway"):
            second.start()
    finally:
        first.close()
        second.close()
    third = Store(url, SystemClock())
    third.start()
    third.close()


def test_sqlite_is_durable_as_stated(tmp_path: Path) -> None:
    """WAL and synchronous FULL on the writing connection; no state in memory."""
    engine = sqlite.writing_engine(f"sqlite:///{tmp_path / 'x.db'}")
    with engine.connect() as conn:
        told = [
            conn.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys")
        ]
    engine.dispose()
    assert ["wal", 2, 1] == told
    with pytest.raises(ValueError, match="must be a file"):
        sqlite.writing_engine("sqlite:///:memory:")


async def test_two_gateways_on_postgresql_write_one_chain(postgres_url: str) -> None:
    """Writers take turns: one ledger without gaps or forks, numbers never given twice."""
    both = [Store(postgres_url, SystemClock()) for _ in "ab"]
    for one in both:
        await asyncio.to_thread(one.start)
    numbers = await asyncio.gather(*(one.write(_note) for one in both for _ in range(60)))
    assert list(range(1, 121)) == sorted(numbers)
    assert (await both[0].read(lambda conn: chain.verify(ledger.stored_rows(conn)))).ok
    for one in both:
        await asyncio.to_thread(one.close)


async def test_lost_connection_to_postgresql_costs_one_answer(postgres_url: str) -> None:
    """A cut connection is told as "not stored"; the next step has a new one."""
    store = Store(postgres_url, SystemClock())
    await asyncio.to_thread(store.start)
    await store.write(_note)
    cut = sa.text(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
        "WHERE datname = current_database() AND pid <> pg_backend_pid()"
    )

    def cut_amid(work: Work) -> None:
        _note(work)
        engine = postgres.reading_engine(postgres_url)
        with engine.connect() as conn:
            conn.execute(cut)
        engine.dispose()
        _put_order(work, "lost")

    with pytest.raises(NotStored):
        await store.write(cut_amid)
    await store.write(_note)
    assert 2 == await _entries(store)
    await asyncio.to_thread(store.close)
