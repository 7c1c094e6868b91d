"""The example's warehouse system answers over real sockets, and misbehaves when asked to."""

import json
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

EXAMPLES = Path(__file__).parents[2] / "examples"
sys.path.insert(0, str(EXAMPLES))

from wms import FakeWms, read_orders  # noqa: E402

from schemas.order import Order  # noqa: E402

ORDERS = read_orders(EXAMPLES / "orders.jsonl")


@pytest.fixture
def wms() -> Iterator[FakeWms]:
    """The server with the demo's orders on a free port."""
    with FakeWms(ORDERS) as server:
        yield server


def _ask(wms: FakeWms, code: str) -> httpx.Response:
    return httpx.get(wms.order_url.replace("{code}", code), timeout=5)


def test_order_is_found_by_tote_and_by_its_own_number(wms: FakeWms) -> None:
    """Both codes that a picker may scan lead to the same, complete order."""
    order = ORDERS[3]
    by_tote = Order.model_validate_json(_ask(wms, order.scan_code or "").content)
    assert order == by_tote == Order.model_validate_json(_ask(wms, order.order_id).content)


def test_unknown_code_is_not_found(wms: FakeWms) -> None:
    """A code that no order has is a 404, not an empty order."""
    assert httpx.codes.NOT_FOUND == _ask(wms, "TOTE-0000").status_code


def test_code_with_a_slash_stays_one_code(wms: FakeWms) -> None:
    """A percent-encoded slash belongs to the code and leads nowhere else."""
    assert httpx.codes.NOT_FOUND == _ask(wms, "..%2Fevents").status_code


def test_every_third_question_fails_in_turn_by_status_and_by_cut(wms: FakeWms) -> None:
    """In a flaky mood, failures alternate between an answer that says so and none at all."""
    wms.mood.fail_every = 3
    seen: list[int | str] = []
    for _ in range(6):
        try:
            seen.append(_ask(wms, ORDERS[0].order_id).status_code)
        except httpx.TransportError:
            seen.append("cut")
    assert [200, 200, 503, 200, 200, "cut"] == seen


def test_slow_answer_outlasts_a_short_budget(wms: FakeWms) -> None:
    """In a slow mood a client with less patience gets its own time-out."""
    wms.mood.slow_s = 30
    with pytest.raises(httpx.ReadTimeout):
        httpx.get(wms.order_url.replace("{code}", "x"), timeout=0.05)


def test_token_is_demanded_where_one_is_set() -> None:
    """Without the bearer token no order leaves."""
    with FakeWms(ORDERS, token="t0") as server:
        url = server.order_url.replace("{code}", ORDERS[0].order_id)
        with_token = httpx.get(url, headers={"Authorization": "Bearer t0"})
        assert (401, 200) == (httpx.get(url).status_code, with_token.status_code)


def test_events_are_kept_once_with_their_count(wms: FakeWms) -> None:
    """The same (source, id) twice is one event that came twice; a batch is many."""
    event = {"specversion": "1.0", "id": "1", "source": "/bagrelay", "type": "t", "data": {}}
    first = httpx.post(f"{wms.url}/events", json=event)
    httpx.post(f"{wms.url}/events", json=[event, event | {"id": "2"}])
    assert httpx.codes.NO_CONTENT == first.status_code
    assert [("1", 2), ("2", 1)] == [(r.event["id"], r.times) for r in wms.events]
    assert 2 == len(json.loads(httpx.get(f"{wms.url}/events").content))


def test_deaf_mood_refuses_events(wms: FakeWms) -> None:
    """A receiver that is down answers 503 and keeps nothing."""
    httpx.put(f"{wms.url}/mood", json={"deaf": True})
    event = {"id": "1", "source": "s", "type": "t"}
    assert 503 == httpx.post(f"{wms.url}/events", json=event).status_code
    assert [] == wms.events
