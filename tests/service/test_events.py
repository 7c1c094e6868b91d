"""The way in over HTTP: CloudEvents 1.0.2 in every mode, repeats, refusals. Real sockets.

Modes, media types and the required attributes are those of the CloudEvents 1.0.2 specification
and its HTTP binding; the form of refusals is that of RFC 9457.
"""

import asyncio
import base64
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import sqlalchemy as sa

from gateway.store.tables import events, jobs
from schemas.ledger import EntryKind
from tests.service.gateway_rig import Rig, order, running, station, until

STRUCTURED = "application/cloudevents+json"
BATCH = "application/cloudevents-batch+json"


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    """One quick station."""
    async with running(tmp_path, station("s1")) as running_rig:
        yield running_rig


async def _stored(rig: Rig) -> list[Any]:
    return await rig.gateway.store.read(lambda conn: list(conn.execute(sa.select(events))))


def _problem(answer: httpx.Response) -> dict[str, Any]:
    assert answer.headers["content-type"] == "application/problem+json", answer.text
    told: dict[str, Any] = answer.json()
    assert {"type", "title", "status", "detail"} <= told.keys()
    assert told["status"] == answer.status_code
    return told


async def test_structured_event_is_accepted_and_printed(rig: Rig) -> None:
    """Structured mode: envelope and data in one JSON object."""
    answer = await rig.scan("s1", "o1")
    assert ("queued", False, "o1") == (answer["outcome"], answer["repeated"], answer["order_id"])
    await rig.job_in("o1", "printed")
    assert 1 == rig.stations["s1"].printed_count


async def test_binary_event_is_the_same_event(rig: Rig) -> None:
    """Binary mode: attributes in ce- headers, data as the body; the same key is the same event."""
    event = rig.event("order.scanned", "s1", code="o1", order=order("o1"))
    headers = {f"ce-{name}": event[name] for name in ("specversion", "id", "source", "type")}
    answer = await rig.client.post("/v1/events", json=event["data"], headers=headers)
    assert (202, "queued") == (answer.status_code, answer.json()["outcome"])
    again = await rig.post(event)
    assert (202, True) == (again.status_code, again.json()["repeated"])


async def test_binary_attributes_are_percent_decoded(rig: Rig) -> None:
    """The HTTP binding has characters outside ASCII percent-encoded in headers."""
    event = rig.event("station.state", "s1", state="idle")
    headers = {f"ce-{name}": event[name] for name in ("specversion", "id", "type")}
    headers["ce-source"] = "/caf%C3%A9"
    answer = await rig.client.post("/v1/events", json=event["data"], headers=headers)
    assert "/café" == answer.json()["source"]


async def test_batch_takes_the_good_and_names_the_bad(rig: Rig) -> None:
    """A batch is answered one by one, in order: 207 where not all were taken."""
    good = rig.event("order.scanned", "s1", code="o1", order=order("o1"))
    bad = rig.event("order.scanned", "nowhere", code="o2", order=order("o2"))
    body = json.dumps([good, bad])
    answer = await rig.client.post("/v1/events", content=body, headers={"content-type": BATCH})
    first, second = answer.json()
    assert (207, "queued") == (answer.status_code, first["accepted"]["outcome"])
    assert "urn:bagrelay:problem:unknown-station" == second["problem"]["type"]
    assert second["problem"]["fields"][0]["field"] == "data.station"


async def test_whole_batch_is_202(rig: Rig) -> None:
    """A batch of which everything was taken."""
    batch = [rig.event("order.scanned", "s1", code=o, order=order(o)) for o in ("o1", "o2")]
    answer = await rig.client.post(
        "/v1/events", content=json.dumps(batch), headers={"content-type": BATCH}
    )
    assert 202 == answer.status_code
    await rig.job_in("o2", "printed")
    printed = [codes[0] for codes in rig.stations["s1"].printed_codes]
    assert [await rig.code_of("o1"), await rig.code_of("o2")] == printed


async def test_data_in_base64_is_read(rig: Rig) -> None:
    """`data_base64` carries the data of a structured event as bytes."""
    event = rig.event("order.scanned", "s1")
    data = {"station": "s1", "code": "o1", "order": order("o1")}
    del event["data"]
    event["data_base64"] = base64.b64encode(json.dumps(data).encode()).decode()
    assert "queued" == (await rig.post(event)).json()["outcome"]


async def test_bytes_are_kept_as_they_came(rig: Rig) -> None:
    """Spacing and order of members survive: the event can be shown as the sender sent it."""
    event = rig.event("station.state", "s1", state="idle")
    body = json.dumps(event, indent=3).encode()
    await rig.client.post("/v1/events", content=body, headers={"content-type": STRUCTURED})
    assert body == (await _stored(rig))[0].raw


async def test_batch_members_are_kept_as_they_came(rig: Rig) -> None:
    """The text of each member, numbers spelled as the sender spelled them."""
    one = (
        json.dumps(rig.event("supply.changed", "s1", bag="small"))[:-2] + ', "metres_left": 1.50}}'
    )
    body = f"[ {one} ,\n{json.dumps(rig.event('station.state', 's1', state='idle'))}]"
    answer = await rig.client.post("/v1/events", content=body, headers={"content-type": BATCH})
    assert 202 == answer.status_code, answer.text
    assert one.encode() in [row.raw for row in await _stored(rig)]


async def test_202_is_durable(rig: Rig) -> None:
    """What was answered 202 is in the file: another connection to it sees event, job and entry."""
    await rig.scan("s1", "o1")
    other = sa.create_engine(f"sqlite:///file:{rig.db}?mode=ro&uri=true")
    with other.connect() as conn:
        kept = conn.execute(sa.select(events.c.event_id)).scalars().all()
        queued = conn.execute(sa.select(jobs.c.order_id)).scalars().all()
    other.dispose()
    assert (["e1"], ["o1"]) == (kept, queued)


async def test_same_event_again_is_answered_as_before_and_does_nothing(rig: Rig) -> None:
    """The answer is the first one, marked as a repeat; no second label, no second entry."""
    event = rig.event("order.scanned", "s1", code="o1", order=order("o1"))
    first = (await rig.post(event)).json()
    await rig.job_in("o1", "printed")
    entries = len(await rig.ledger())
    again = (await rig.post(event)).json()
    assert {**first, "repeated": True} == again
    assert (entries, 1) == (len(await rig.ledger()), rig.stations["s1"].printed_count)


async def test_same_event_many_times_at_once_is_one_event(rig: Rig) -> None:
    """A sender that repeats before it was answered prints one label."""
    event = rig.event("order.scanned", "s1", code="o1", order=order("o1"))
    answers = await asyncio.gather(*(rig.post(event) for _ in range(12)))
    assert {202} == {answer.status_code for answer in answers}
    assert 1 == sum(not answer.json()["repeated"] for answer in answers)
    await rig.job_in("o1", "printed")
    assert ["printed"] == await rig.states("o1")


async def test_same_id_with_other_content_is_409(rig: Rig) -> None:
    """A used id with other data is refused and does nothing; another source may use the id."""
    event = rig.event("order.scanned", "s1", code="o1", order=order("o1"))
    await rig.post(event)
    event["data"] = {**event["data"], "code": "o2", "order": order("o2")}
    told = _problem(await rig.post(event))
    assert ("urn:bagrelay:problem:changed-repeat", "id", 409) == (
        told["type"], told["fields"][0]["field"], told["status"],
    )  # fmt: skip
    assert 404 == (await rig.client.get("/v1/orders/o2")).status_code
    assert 202 == (await rig.post({**event, "source": "/other"})).status_code


async def test_second_scan_of_an_order_prints_nothing(rig: Rig) -> None:
    """Another event for the same order: recognised while in work and when packed."""
    await rig.scan("s1", "o1")
    again = await rig.scan("s1", "o1")
    assert "already_in_work" == again["outcome"]
    await rig.job_in("o1", "printed")
    await rig.send("bag.sealed", "s1")
    await rig.job_in("o1", "closed")
    assert "already_packed" == (await rig.scan("s1", "o1"))["outcome"]
    assert 1 == rig.stations["s1"].printed_count


async def test_order_scanned_at_two_stations_at_once_prints_once(tmp_path: Path) -> None:
    """Two people with the same tote: one gets the label, the other is told where it is."""
    async with running(tmp_path, station("s1"), station("s2")) as rig:
        for number in range(5):
            name = f"o{number}"
            answers = await asyncio.gather(*(rig.scan(s, name) for s in ("s1", "s2", "s1", "s2")))
            outcomes = sorted(answer["outcome"] for answer in answers)
            assert ["already_in_work"] * 3 + ["queued"] == outcomes
            await rig.job_in(name, "printed")
        assert 5 == sum(machine.printed_count for machine in rig.stations.values())


@pytest.mark.parametrize(
    ("change", "field", "status"),
    [
        ({"specversion": "0.3"}, "specversion", 422),
        ({"id": ""}, "id", 422),
        ({"source": None}, "source", 422),
        ({"type": "com.other.thing"}, "type", 422),
        ({"data": {"station": "s1"}}, "data.code", 422),
        ({"data": {"station": "s1", "code": "x", "colour": "red"}}, "data.colour", 422),
        ({"data": {"station": "nowhere", "code": "x"}}, "data.station", 422),
        ({"data": {"station": "s1", "code": "x"}}, "data.order", 422),
        (
            {"data": {"station": "s1", "code": "x", "order": {**order("x"), "lines": []}}},
            "data.order.lines",
            422,
        ),
    ],
)
async def test_refusal_is_a_problem_that_names_the_field(
    rig: Rig, change: dict[str, Any], field: str, status: int
) -> None:
    """RFC 9457: media type, members, and the field by its path."""
    event = {**rig.event("order.scanned", "s1", code="o1", order=order("o1")), **change}
    told = _problem(await rig.post(event))
    assert (status, field) == (told["status"], told["fields"][0]["field"])
    assert [] == await _stored(rig)


@pytest.mark.parametrize(
    ("body", "media_type", "status"),
    [
        (b"{", STRUCTURED, 400),
        (b"[]", STRUCTURED, 400),
        (b'"' + b"[" * 40 + b'"', STRUCTURED, 400),
        (b"[" * 40 + b"]" * 40, BATCH, 400),
        (b"\xff\xfe", STRUCTURED, 400),
        (b"{}", "application/json", 415),
        (b"a=b", "application/x-www-form-urlencoded", 415),
        (b" " * 4_000_001, STRUCTURED, 413),
    ],
)
async def test_body_that_cannot_be_read_is_a_problem(
    rig: Rig, body: bytes, media_type: str, status: int
) -> None:
    """Each way of being unreadable has its own status, and nothing is kept."""
    answer = await rig.client.post("/v1/events", content=body, headers={"content-type": media_type})
    assert status == _problem(answer)["status"]
    assert [] == await _stored(rig)


async def test_body_without_stated_length_is_bounded_too(rig: Rig) -> None:
    """A chunked body is cut off at the same limit."""

    async def endless() -> AsyncIterator[bytes]:
        for _ in range(70):
            yield b" " * 65536

    answer = await rig.client.post(
        "/v1/events", content=endless(), headers={"content-type": STRUCTURED}
    )
    assert 413 == _problem(answer)["status"]


async def test_full_lane_answers_503_with_retry_after(tmp_path: Path) -> None:
    """Beyond `max_lane` waiting jobs a scan is refused, kept nowhere, and may come again."""
    async with running(tmp_path, station("s1", max_lane=2)) as rig:
        rig.stations["s1"].off()
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
        await rig.act("/v1/stations/s1/hold")
        event = rig.event("order.scanned", "s1", code="o3", order=order("o3"))

        async def refused() -> bool:
            return (await rig.view("s1"))["lane_length"] == 2

        await until(refused, "both to wait")
        answer = await rig.post(event)
        told = _problem(answer)
        assert (503, "urn:bagrelay:problem:lane-full") == (told["status"], told["type"])
        assert int(answer.headers["retry-after"]) >= 1
        rig.stations["s1"].on()
        await rig.act("/v1/stations/s1/release")
        await rig.job_in("o2", "printed")
        assert (202, False) == (
            (again := await rig.post(event)).status_code,
            again.json()["repeated"],
        )


async def test_no_fit_goes_to_manual_packing_with_its_reasons(rig: Rig) -> None:
    """The person reads why; the order is listed for manual packing; no label is printed."""
    big = {"sku": "sofa", "size": {"length": 900, "width": 800, "height": 700}, "mass_g": 30000}
    answer = await rig.scan("s1", "o1", lines=[{"line_id": "1", "item": big}])
    assert "manual" == answer["outcome"]
    story = await rig.story("o1")
    assert "manual" == story["decision"]["outcome"]
    reasons = story["decision"]["turned_down"][0]["reasons"]
    assert any(reason["needed"] > reason["available"] for reason in reasons)
    waiting = (await rig.client.get("/v1/waiting")).json()
    assert ["o1"] == [entry["order_id"] for entry in waiting["manual"]]
    assert 1 == len(await rig.outgoing("order.manual"))
    assert 0 == rig.stations["s1"].printed_count


async def test_item_without_size_goes_to_manual_packing(rig: Rig) -> None:
    """Never a guess: no dimensions is a named reason."""
    answer = await rig.scan("s1", "o1", lines=[{"line_id": "1", "item": {"sku": "mystery"}}])
    reasons = [reason["code"] for reason in (await rig.story("o1"))["decision"]["reasons"]]
    assert ("manual", ["no_size"]) == (answer["outcome"], reasons)
    assert 1 == len(await rig.ledger(EntryKind.ORDER_MANUAL))
