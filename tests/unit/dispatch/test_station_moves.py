"""The table of moves is what may happen to a station, and nothing else may: every pair is tried."""

from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import count

import pytest
import sqlalchemy as sa

from gateway.dispatch.station_moves import (
    STANDING,
    STATION_MOVES,
    allowed,
    move_station,
    now_waits_for,
    state_of,
)
from gateway.dispatch.station_state import known_state
from gateway.errors import NotAllowedNow
from gateway.ledger.merkle import CompactRange
from gateway.store.tables import metadata, stations
from gateway.store.work import LedgerTail, Work
from schemas.station import StationState

S = StationState
NOW = datetime(2026, 1, 5, 6, tzinfo=UTC)
_names = (f"s{n}" for n in count())


@pytest.fixture(scope="module")
def work() -> Iterator[Work]:
    """A step on an empty store."""
    engine = sa.create_engine("sqlite://")
    metadata.create_all(engine)
    with engine.begin() as conn:
        yield Work(conn, NOW, LedgerTail(0, "0" * 64, CompactRange()))
    engine.dispose()


def _in(work: Work, state: StationState) -> str:
    name = next(_names)
    work.conn.execute(sa.insert(stations).values(station=name, state=state, changed=NOW))
    return name


def test_every_state_is_in_the_table() -> None:
    """A state without a row in the table could never be left and nobody would see it."""
    assert set(S) == set(STATION_MOVES)


@pytest.mark.parametrize("state", list(S))
@pytest.mark.parametrize("to", list(S))
def test_every_pair_is_made_exactly_where_the_table_has_it(
    work: Work, state: StationState, to: StationState
) -> None:
    """A move of the table is made and told; any other is refused and nothing changes."""
    name = _in(work, state)
    told, entries = len(work.outgoing), len(work.entries)
    if to in STATION_MOVES[state]:
        move_station(work, name, to, "because")
        assert state_of(work.conn, name) is to
        assert (told + 1, entries + 1) == (len(work.outgoing), len(work.entries))
        known = known_state(work.conn, name)
        assert known.since == NOW
        assert known.waits_for == ("" if to is S.READY else "because")
    else:
        with pytest.raises(NotAllowedNow, match=f"is {state}; it can't become {to}"):
            move_station(work, name, to, "because")
        assert state_of(work.conn, name) is state
        assert (told, entries) == (len(work.outgoing), len(work.entries))
    assert allowed(state, to) == (to in STATION_MOVES[state])


def test_every_state_is_reached_and_every_one_comes_back_to_ready() -> None:
    """No state is without a way in from ready, and none without a way out to it."""
    reached = {S.READY}
    while more := {to for state in reached for to in STATION_MOVES[state]} - reached:
        reached |= more
    assert set(S) == reached
    back = {S.READY}
    while more := {state for state in S if back & set(STATION_MOVES[state])} - back:
        back |= more
    assert set(S) == back


def test_any_station_can_be_held_and_only_a_release_ends_it() -> None:
    """A hold outranks all else: from held a fault or a settled doubt leads nowhere by itself."""
    assert all(S.HELD in STATION_MOVES[state] for state in S if state is not S.HELD)
    assert not set(STANDING) & set(STATION_MOVES[S.HELD])


def test_state_outside_the_set_is_refused_by_the_database(work: Work) -> None:
    """The closed set of states lives in the table, where no code path can forget it."""
    name = _in(work, S.READY)
    with pytest.raises(sa.exc.IntegrityError):
        work.conn.execute(
            sa.update(stations).where(stations.c.station == name).values(state="lost")
        )


def test_reason_is_recorded_when_it_changes_and_not_when_it_is_said_again(work: Work) -> None:
    """A station that is off all night is told once, and again when the reason is another."""
    name = _in(work, S.READY)
    move_station(work, name, S.FAULTED, "no answer")
    before = len(work.entries)
    for reason in ("no answer", "no answer", "connection refused", "connection refused"):
        now_waits_for(work, name, reason)
    assert before + 1 == len(work.entries)
