"""An order that comes without its content is fetched from the WMS by the scanned code."""

import asyncio
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import respx

from gateway.errors import Unavailable
from gateway.intake.wms import LARGEST_ORDER_BYTES, OrderNotFound, WmsClient
from schemas.ledger import EntryKind
from schemas.order import Order
from schemas.site import WmsSettings
from tests.service.gateway_rig import Rig, order, running, station

sys.path.insert(0, str(Path(__file__).parents[2] / "examples"))

from wms import FakeWms

BUDGET_S = 0.6
URL = "http://wms.test/orders/{code}"


@pytest.fixture
def wms() -> Iterator[FakeWms]:
    """A real WMS over HTTP."""
    known = [
        Order.model_validate(order("o1", scan_code="TOTE-1")),
        Order.model_validate(order("o2", scan_code="TOTE 2/?&")),
    ]
    with FakeWms(known) as server:
        yield server


@pytest.fixture
async def rig(tmp_path: Path, wms: FakeWms) -> AsyncIterator[Rig]:
    """A gateway that asks that WMS."""
    settings = {"url": wms.order_url, "budget_s": BUDGET_S}
    async with running(tmp_path, station("s1"), wms=settings) as running_rig:
        yield running_rig


@pytest.mark.parametrize(("code", "name"), [("TOTE-1", "o1"), ("TOTE 2/?&", "o2")])
async def test_order_is_fetched_by_the_scanned_code(rig: Rig, code: str, name: str) -> None:
    """The code is one path segment, whatever signs it has."""
    answer = await rig.send("order.scanned", "s1", code=code)
    assert ("queued", name) == (answer["outcome"], answer["order_id"])
    await rig.job_in(name, "printed")


async def test_order_not_found_reaches_operator_outbox_and_ledger(rig: Rig) -> None:
    """The answer says it in words; whoever listens is told; the ledger keeps the code."""
    answer = await rig.send("order.scanned", "s1", code="TOTE-9")
    assert "order_not_found" == answer["outcome"]
    assert "TOTE-9" in answer["text"]
    assert 1 == len(await rig.outgoing("order.not-found"))
    assert ["TOTE-9"] == [e.data["code"] for e in await rig.ledger(EntryKind.ORDER_NOT_FOUND)]


async def test_repeated_event_asks_the_wms_nothing_again(rig: Rig, wms: FakeWms) -> None:
    """An event that was answered costs the WMS nothing more."""
    event = rig.event("order.scanned", "s1", code="TOTE-1")
    await rig.post(event)
    asked = wms.asked
    assert (await rig.post(event)).json()["repeated"]
    assert asked == wms.asked


async def test_flaky_wms_is_asked_again_within_the_budget(rig: Rig, wms: FakeWms) -> None:
    """One failed answer costs the operator nothing but a moment."""
    wms.mood.fail_every = 2
    for _ in range(3):
        answer = await rig.send("order.scanned", "s1", code="TOTE-1")
        assert answer["outcome"] in ("queued", "already_in_work")


async def test_silent_wms_is_503_and_the_event_may_come_again(rig: Rig, wms: FakeWms) -> None:
    """Nothing was accepted: the same event succeeds once the WMS answers."""
    wms.mood.slow_s = 30
    event = rig.event("order.scanned", "s1", code="TOTE-1")
    refused = await rig.post(event)
    assert (503, "urn:bagrelay:problem:unavailable") == (
        refused.status_code,
        refused.json()["type"],
    )
    assert "retry-after" in refused.headers
    wms.mood.slow_s = 0
    assert (202, False) == (
        (again := await rig.post(event)).status_code,
        again.json()["repeated"],
    )


async def test_silent_wms_holds_up_no_order_that_came_whole(rig: Rig, wms: FakeWms) -> None:
    """Scans that carry their order pass by the one that waits for the WMS."""
    wms.mood.slow_s = 30
    waiting = asyncio.create_task(rig.post(rig.event("order.scanned", "s1", code="TOTE-1")))
    await rig.scan("s1", "o9")
    assert not waiting.done()
    assert 503 == (await waiting).status_code


async def _ask(respond: Any, code: str = "x") -> tuple[Order | str, int]:
    """What the client makes of an answer, and how often it asked."""
    client = WmsClient(WmsSettings(url=URL, budget_s=BUDGET_S), {})
    with respx.mock(assert_all_called=False) as router:
        route = router.get(url__startswith="http://wms.test/")
        route.side_effect = respond
        try:
            return await client.order(code), route.call_count
        except (Unavailable, OrderNotFound) as refused:
            return f"{type(refused).__name__}: {refused}", route.call_count
        finally:
            await client.close()


@pytest.mark.parametrize(
    ("answer", "said", "asked_again"),
    [
        (httpx.Response(500), "answered 500", True),
        (httpx.Response(429), "answered 429", True),
        (httpx.Response(302, headers={"location": "http://elsewhere.test/"}), "302", False),
        (httpx.Response(401), "answered 401", False),
        (httpx.Response(200, content=b""), "no order", False),
        (httpx.Response(200, content=b"<html>hello</html>"), "no order", False),
        (httpx.Response(200, content=b"[1, 2]"), "no order", False),
        (httpx.Response(200, json={"order_id": "x"}), "lines", False),
        (httpx.Response(200, json=[order("x")]), "no order", False),
        (httpx.Response(200, content=b"\xff" * 10), "no order", False),
        (httpx.Response(200, content=b" " * (LARGEST_ORDER_BYTES + 1)), "no order", False),
        (httpx.Response(404), "OrderNotFound", False),
        (httpx.Response(410), "OrderNotFound", False),
    ],
)
async def test_odd_answer_is_told_apart(
    answer: httpx.Response, said: str, asked_again: bool
) -> None:
    """Only what may pass is asked again; what the person reads names what the WMS answered."""
    told, times = await _ask(lambda _request: answer)
    assert said in str(told)
    assert asked_again == (times > 1)


@pytest.mark.parametrize("error", [httpx.ConnectError, httpx.ReadTimeout, httpx.ReadError])
async def test_broken_line_is_tried_again_until_the_budget_is_spent(
    error: type[httpx.TransportError],
) -> None:
    """A question may be asked again, since asking changes nothing."""

    def broken(request: httpx.Request) -> httpx.Response:
        raise error("broken", request=request)

    told, times = await _ask(broken)
    assert str(told).startswith("Unavailable")
    assert times > 1


async def test_answer_that_drips_without_end_is_cut_off() -> None:
    """The budget is over all of the answer, not over each piece of it."""

    hung_up = asyncio.Event()

    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 200 OK\r\ncontent-length: 999999\r\n\r\n")
        try:
            while True:
                writer.write(b" ")
                await writer.drain()
                await asyncio.sleep(0.02)
        except OSError:
            pass
        finally:
            writer.close()
            hung_up.set()

    server = await asyncio.start_server(drip, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    client = WmsClient(WmsSettings(url=f"http://127.0.0.1:{port}/{{code}}", budget_s=BUDGET_S), {})
    async with asyncio.timeout(BUDGET_S * 20):
        with pytest.raises(Unavailable, match="in time"):
            await client.order("x")
    await client.close()
    await hung_up.wait()
    server.close()
    await server.wait_closed()


async def test_token_comes_from_the_environment_and_goes_to_the_wms_only() -> None:
    """The bearer token named in the site file is sent; the site file holds its name only."""
    seen: list[str | None] = []

    def note(request: httpx.Request) -> httpx.Response:
        seen.append(request.headers.get("authorization"))
        return httpx.Response(404)

    settings = WmsSettings(url=URL, budget_s=BUDGET_S, token_env="WMS_TOKEN")
    client = WmsClient(settings, {"WMS_TOKEN": "t0p"})
    with respx.mock() as router:
        router.get(url__startswith="http://wms.test/").side_effect = note
        with pytest.raises(OrderNotFound):
            await client.order("x")
    await client.close()
    assert ["Bearer t0p"] == seen
