"""Asking a webhook's target whether it wants events at all.

Source: CloudEvents 1.0.2, HTTP 1.1 Web Hooks for Event Delivery, section 4 (abuse protection):
`WebHook-Request-Origin`, answered by `WebHook-Allowed-Origin` (the origin or `*`) and, where the
receiver wants fewer, `WebHook-Allowed-Rate` in requests a minute.
"""

import time

import pytest

from gateway.queues.port import NeverTakes, Unavailable
from tests.service.test_webhooks import Receiver, _event, _settings, _sink, receiver

__all__ = ["receiver"]

YES = "200 OK\r\nwebhook-allowed-origin: room.example"


def _asking(receiver: Receiver) -> object:
    return _sink(_settings(f"http://127.0.0.1:{receiver.port}/", origin="room.example"))


async def test_target_that_agrees_is_asked_once(receiver: Receiver) -> None:
    """The question names our origin and carries no event; then events follow without a question."""
    receiver.answers = [YES]
    async with _asking(receiver) as sink:  # type: ignore[attr-defined]
        await sink.send(_event(1))
        await sink.send(_event(2))
    assert ["OPTIONS", "POST", "POST"] == receiver.methods
    asked, body = receiver.seen[0]
    assert ("room.example", b"") == (asked["webhook-request-origin"], body)
    assert "webhook-signature" not in asked


@pytest.mark.parametrize("allowed", ["*", "ROOM.EXAMPLE"])
async def test_any_origin_and_any_case_are_leave(receiver: Receiver, allowed: str) -> None:
    """`*` is every origin; DNS names know no case (RFC 4343)."""
    receiver.answers = [f"204 No Content\r\nwebhook-allowed-origin: {allowed}"]
    async with _asking(receiver) as sink:  # type: ignore[attr-defined]
        await sink.send(_event())
    assert ["OPTIONS", "POST"] == receiver.methods


@pytest.mark.parametrize(
    "answer",
    [
        "200 OK",
        "200 OK\r\nwebhook-allowed-origin: other.example",
        "405 Method Not Allowed\r\nwebhook-allowed-origin: room.example",
    ],
)
async def test_target_that_doesnt_agree_gets_no_event(receiver: Receiver, answer: str) -> None:
    """Without leave nothing is sent; it is asked again later, and told once it agrees."""
    receiver.answers = [answer, YES]
    async with _asking(receiver) as sink:  # type: ignore[attr-defined]
        with pytest.raises(Unavailable, match="doesn't allow") as told:
            await sink.send(_event())
        assert 60.0 == told.value.retry_after_s
        assert ["OPTIONS"] == receiver.methods
        await sink.send(_event())
    assert ["OPTIONS", "OPTIONS", "POST"] == receiver.methods


async def test_target_that_turns_away_is_asked_again(receiver: Receiver) -> None:
    """After 410 Gone or 403 the leave is void; after a bad event it is not."""
    receiver.answers = [YES, "410 Gone", YES, "400 Bad Request"]
    async with _asking(receiver) as sink:  # type: ignore[attr-defined]
        with pytest.raises(Unavailable):
            await sink.send(_event(1))
        with pytest.raises(NeverTakes):
            await sink.send(_event(1))
        await sink.send(_event(2))
    assert ["OPTIONS", "POST", "OPTIONS", "POST", "POST"] == receiver.methods


async def test_allowed_rate_is_kept(receiver: Receiver) -> None:
    """300 a minute are 0.2 s apart, and no sooner."""
    receiver.answers = [f"{YES}\r\nwebhook-allowed-rate: 300"]
    async with _asking(receiver) as sink:  # type: ignore[attr-defined]
        began = time.monotonic()
        for number in range(4):
            await sink.send(_event(number))
        spent = time.monotonic() - began
    assert spent >= 3 * 0.2
