"""What is done with a message after it was tried."""

from hypothesis import given
from hypothesis import strategies as st

from gateway.queues.decide import TRIES_WHEN_BROKEN, Next, Outcome, decide, wait_s
from gateway.queues.port import header_value

_TRIES = st.integers(1, 10_000)


@given(tries=_TRIES)
def test_good_message_is_never_given_up(tries: int) -> None:
    """A full lane or a store that is away is no fault of the message, however often tried."""
    assert Next.LATER is decide(tries, Outcome.BUSY)


@given(tries=_TRIES)
def test_wrong_message_is_dead_at_once_and_durable_one_done(tries: int) -> None:
    """What is wrong in itself is wrong again; what is durable is acknowledged."""
    assert Next.DEAD is decide(tries, Outcome.REFUSED)
    assert Next.ACKNOWLEDGE is decide(tries, Outcome.DURABLE)


@given(tries=_TRIES)
def test_what_breaks_the_gateway_has_a_few_tries(tries: int) -> None:
    """Nobody knows whose fault it was: tried again, but not for ever."""
    wanted = Next.LATER if tries < TRIES_WHEN_BROKEN else Next.DEAD
    assert wanted is decide(tries, Outcome.BROKEN)


@given(attempt=st.integers(1, 10_000), chance=st.floats(0, 1))
def test_waits_grow_to_a_limit(attempt: int, chance: float) -> None:
    """Never at once, never above five seconds."""
    assert 0.05 <= wait_s(attempt, chance) <= 5.0


def test_header_values_are_those_of_the_http_binding() -> None:
    """The worked example of the CloudEvents 1.0.2 HTTP binding, section 3.1.3.2."""
    assert "Euro%20%E2%82%AC%20%F0%9F%98%80" == header_value("Euro € 😀")
    assert "%25%22" == header_value('%"')
