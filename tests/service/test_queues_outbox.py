"""The outbox: in step with the state it tells, small for ever, each event one id. Real stores."""

from collections.abc import Callable, Coroutine, Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa

from gateway.clock import ManualClock
from gateway.errors import NotFound
from gateway.queues import letters, outbox
from gateway.queues.letters import Letter
from gateway.queues.tables import targets
from gateway.store.store import Store
from gateway.store.tables import outbox as rows
from gateway.store.work import OUTBOX, Work
from schemas.events import Outgoing, OutgoingType
from tests.service.gateway_rig import until

WAY = "to webhook erp"


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path: Path, clock: ManualClock) -> Iterator[Store]:
    """An empty store of each kind."""
    url = f"sqlite:///{tmp_path}/a.db"
    if request.param == "postgresql":
        url = request.getfixturevalue("postgres_url")
    made = Store(url, clock)
    made.start()
    yield made
    made.close()


def _publish(work: Work, count: int) -> None:
    for number in range(count):
        work.publish(OutgoingType.SUPPLY_LOW, Outgoing(station="s1", text=str(number)))


def _numbers(store: Store) -> list[int]:
    query = sa.select(rows.c.id).order_by(rows.c.id)
    return store.read_now(lambda conn: list(conn.execute(query).scalars()))


async def test_outbox_without_targets_keeps_its_tail_only(store: Store) -> None:
    """However much is told to nobody, a bounded tail stays, and numbers go on from it."""
    await store.write(lambda work: _publish(work, outbox.TAIL + 300))
    await store.write(lambda work: outbox.prune(work, [], 90))
    assert outbox.TAIL == len(_numbers(store))
    last = _numbers(store)[-1]
    await store.write(lambda work: _publish(work, 1))
    assert last + 1 == _numbers(store)[-1]


async def test_number_never_comes_twice_though_all_is_old(store: Store, clock: ManualClock) -> None:
    """After months without orders the newest event stays, so that the next has a new number."""
    await store.write(lambda work: _publish(work, 5))
    last = _numbers(store)[-1]
    clock.advance(timedelta(days=200).total_seconds())
    await store.write(lambda work: outbox.prune(work, [], 90))
    assert [last] == _numbers(store)
    await store.write(lambda work: _publish(work, 1))
    assert [last, last + 1] == _numbers(store)


async def test_slow_target_holds_rows_until_its_time_is_up(
    store: Store, clock: ManualClock
) -> None:
    """What a target has not taken stays; after the site's keeping time it is given up, counted and
    said."""
    await store.write(lambda work: outbox.register(work, [WAY]))
    await store.write(lambda work: _publish(work, outbox.TAIL + 10))
    assert [] == await store.write(lambda work: outbox.prune(work, [WAY], 90))
    assert outbox.TAIL + 10 == len(_numbers(store))
    clock.advance(timedelta(days=91).total_seconds())
    assert [WAY] == await store.write(lambda work: outbox.prune(work, [WAY], 90))
    [view] = store.read_now(lambda conn: outbox.views(conn, [WAY]))
    assert (0, outbox.TAIL + 10) == (view.waiting, view.missed)
    assert 1 == len(_numbers(store))


async def test_target_that_left_the_site_file_holds_nothing(store: Store) -> None:
    """Rows wait for configured targets only."""
    await store.write(lambda work: outbox.register(work, [WAY]))
    await store.write(lambda work: _publish(work, outbox.TAIL + 10))
    await store.write(lambda work: outbox.prune(work, ["to webhook other"], 90))
    assert outbox.TAIL == len(_numbers(store))


async def test_event_is_told_with_one_id_and_undone_steps_tell_nothing(store: Store) -> None:
    """The id is the same each time it is read; a step that failed left no event."""
    await store.write(lambda work: outbox.register(work, [WAY]))

    def fails(work: Work) -> None:
        _publish(work, 1)
        raise ValueError("undone")

    with pytest.raises(ValueError, match="undone"):
        await store.write(fails)
    await store.write(lambda work: _publish(work, 3))
    read = [store.read_now(lambda conn: outbox.due(conn, WAY, (), "/x", 50)) for _ in range(2)]
    first, again = ([event.id for event in due.events] for due in read)
    assert first == again
    assert 3 == len(set(first))
    assert [b"0", b"1", b"2"] == [event.data[-3:-2] for event in read[0].events]


async def test_replay_amid_a_batch_is_not_overwritten(store: Store) -> None:
    """A batch that ends after somebody set the target back doesn't set it forward again."""
    await store.write(lambda work: outbox.register(work, [WAY]))
    await store.write(lambda work: _publish(work, 3))
    first = _numbers(store)[0]
    assert await store.write(lambda work: outbox.advance(work, WAY, first - 1, first + 1))
    await store.write(lambda work: outbox.set_back(work, WAY, first))
    assert not await store.write(lambda work: outbox.advance(work, WAY, first + 1, first + 2))
    assert first - 1 == store.read_now(
        lambda conn: conn.execute(sa.select(targets.c.sent_to)).scalar_one()
    )
    with pytest.raises(NotFound):
        await store.write(lambda work: outbox.set_back(work, WAY, first + 100))


async def test_letters_are_one_for_the_same_bytes_and_go_in_time(
    store: Store, clock: ManualClock
) -> None:
    """The same poison again counts up; letters hold addresses, so they go when payloads go."""
    letter = Letter("queue wms", b"\xff poison", {"a": "b"}, "urn:p", "because")
    first = await store.write(lambda work: letters.keep(work, letter))
    again = await store.write(lambda work: letters.keep(work, letter))
    assert first == again
    shown = store.read_now(lambda conn: letters.one(conn, first))
    assert (2, None, "/yBwb2lzb24=") == (shown.times, shown.body, shown.body_base64)
    clock.advance(timedelta(days=91).total_seconds())
    await store.write(lambda work: letters.prune(work, 90))
    assert [] == store.read_now(letters.page)


async def test_commit_tells_that_something_waits(store: Store) -> None:
    """Whoever sends hears of it after the commit, and can read it then; else hears nothing."""
    heard: list[tuple[frozenset[str], int]] = []
    store.on_wake(lambda told: heard.append((told, len(_numbers(store)))))
    await store.write(lambda work: work.wake("s1"))
    await until(_heard(heard, "s1"), "the lane to be woken")
    assert not any(OUTBOX in told for told, _ in heard)
    await store.write(lambda work: _publish(work, 2))
    await until(_heard(heard, OUTBOX), "the senders to be woken")
    assert [2] == [count for told, count in heard if OUTBOX in told][:1]


def _heard(
    heard: list[tuple[frozenset[str], int]], name: str
) -> Callable[[], Coroutine[None, None, bool]]:
    async def look() -> bool:
        return any(name in told for told, _ in heard)

    return look


async def test_oldest_that_waits_is_told(store: Store, clock: ManualClock) -> None:
    """How far behind a target is: since when its next event waits; nothing where none does."""
    await store.write(lambda work: outbox.register(work, [WAY]))
    (view,) = store.read_now(lambda conn: outbox.views(conn, [WAY]))
    assert (0, None) == (view.waiting, view.waiting_since)
    began = clock.now()
    await store.write(lambda work: _publish(work, 2))
    clock.advance(60)
    await store.write(lambda work: _publish(work, 1))
    (view,) = store.read_now(lambda conn: outbox.views(conn, [WAY]))
    assert (3, began) == (view.waiting, view.waiting_since)
    top = _numbers(store)[-1]
    await store.write(lambda work: outbox.advance(work, WAY, view.sent_to, top - 1))
    (view,) = store.read_now(lambda conn: outbox.views(conn, [WAY]))
    assert (1, clock.now()) == (view.waiting, view.waiting_since)
