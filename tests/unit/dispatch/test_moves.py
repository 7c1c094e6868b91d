"""The table of moves is what may happen to a job, and nothing else may."""

import pytest

from gateway.dispatch.moves import MOVES, allowed
from gateway.store.tables import IN_ROW_STATES, LIVE_STATES, OPEN_STATES, WAITING_STATES
from schemas.job import JobState

S = JobState


def test_every_state_is_in_the_table() -> None:
    """A state without a row in the table could never be left and nobody would see it."""
    assert set(JobState) == set(MOVES)


@pytest.mark.parametrize("state", list(JobState))
@pytest.mark.parametrize("to", list(JobState))
def test_every_pair_is_allowed_exactly_where_the_table_says(state: JobState, to: JobState) -> None:
    """`allowed` is the word of the table for each pair, and nothing moves to itself."""
    assert (to in MOVES[state]) == allowed(state, to)
    assert not allowed(state, state)


def test_every_state_is_reached_and_every_live_one_can_end() -> None:
    """From queued every state can be reached; from every state an end can be reached."""
    reached = {S.QUEUED}
    while more := {to for state in reached for to in MOVES[state]} - reached:
        reached |= more
    assert set(JobState) == reached
    ends = {state for state in JobState if not MOVES[state]}
    assert {S.VOID, S.CANCELLED} == ends
    can_end = set(ends)
    while more := {state for state in JobState if can_end & set(MOVES[state])} - can_end:
        can_end |= more
    assert set(JobState) == can_end


def test_a_job_that_may_have_printed_is_never_cancelled() -> None:
    """Cancelled says "never printed"; what may have left us can only be void."""
    may_have_printed = {S.SENDING, S.IN_DOUBT, S.SENT, S.PRINTED, S.VERIFIED, S.CLOSED}
    assert not [state for state in may_have_printed if S.CANCELLED in MOVES[state]]


def test_only_waiting_jobs_go_to_sending() -> None:
    """Bytes leave only for a job that its lane took from the queue."""
    assert [S.QUEUED] == [state for state in JobState if S.SENDING in MOVES[state]]


def test_nothing_is_verified_before_it_was_printed_or_sent() -> None:
    """A verifying scan proves a label only of a job that left us."""
    assert {S.SENT, S.PRINTED} == {state for state in JobState if S.VERIFIED in MOVES[state]}


def test_groups_of_states_do_not_overlap() -> None:
    """A job waits, is open, or stands in the row: never two of these at once."""
    groups = [*WAITING_STATES, *OPEN_STATES, *IN_ROW_STATES]
    assert len(set(groups)) == len(groups)
    assert set(groups) | {S.REFUSED} == set(LIVE_STATES)
