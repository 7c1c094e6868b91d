"""What people do to jobs, supplies that run out, and labels that the WMS supplied."""

import asyncio
import base64
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.intake import labelling
from gateway.label import parcel_fields
from schemas.ledger import EntryKind
from tests.service.gateway_rig import Rig, order, running, sees, station, until

ZPL = (
    b"^XA^PW812^LL1218^FO100,100^BY3^BCN,200,Y,N,N^FDWMS-0001^FS^FO100,400^A0N,40,40^FDhello^FS^XZ"
)


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    """Two stations whose bags must be scanned; the second speaks on a raw line too."""
    one = station("s1", "tcp", verify="required")
    two = station("s2", "tcp", verify="required")
    async with running(tmp_path, one, two) as running_rig:
        yield running_rig


async def _printed(rig: Rig, order_id: str, at: str = "s1") -> dict[str, Any]:
    await rig.scan(at, order_id)
    return await rig.job_in(order_id, "sent")


async def _reprinted(rig: Rig, job_id: str) -> httpx.Response:
    return await rig.act(f"/v1/jobs/{job_id}/reprint")


async def test_reprint_has_a_new_sscc_and_the_old_label_is_old(rig: Rig) -> None:
    """The old label can't pass for the new one; both are tied together."""
    job = await _printed(rig, "o1")
    assert 204 == (await rig.act(f"/v1/jobs/{job['job_id']}/void")).status_code
    answer = await _reprinted(rig, job["job_id"])
    assert 200 == answer.status_code, answer.text
    again = await rig.job_in("o1", "sent")
    assert (answer.json()["job_id"], job["job_id"]) == (again["job_id"], again["reprint_of"])
    assert set(job["expected_scans"]).isdisjoint(again["expected_scans"])
    scan = await rig.verify("s1", job["expected_scans"][0])
    assert ("old_label", True) == (scan["verdict"], scan["holds_station"])
    await rig.act("/v1/stations/s1/release")
    assert "match" == (await rig.verify("s1", again["expected_scans"][0]))["verdict"]


async def test_reprint_of_a_good_label_is_refused(rig: Rig) -> None:
    """Two good labels of one parcel must not exist: void first; and only one reprint."""
    job = await _printed(rig, "o1")
    assert 409 == (await _reprinted(rig, job["job_id"])).status_code
    await rig.act(f"/v1/jobs/{job['job_id']}/void")
    answers = await asyncio.gather(*(_reprinted(rig, job["job_id"]) for _ in range(4)))
    assert [200, 409, 409, 409] == sorted(answer.status_code for answer in answers)


async def test_reprint_of_goods_that_were_packed_anew_is_refused(rig: Rig) -> None:
    """A bag was pulled, the order scanned again: its old parcel must not get a label too."""
    job = await _printed(rig, "o1")
    await rig.act(f"/v1/jobs/{job['job_id']}/void")
    assert "queued" == (await rig.scan("s1", "o1"))["outcome"]
    refused = await _reprinted(rig, job["job_id"])
    assert 409 == refused.status_code
    assert "packed anew" in refused.json()["detail"]


async def test_reprint_of_one_parcel_of_many_keeps_its_number(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Parcel 2 of 3 stays parcel 2 of 3 on its new label."""
    item = {"sku": "b", "size": {"length": 250, "width": 180, "height": 30}, "mass_g": 300}
    answer = await rig.scan("s1", "o1", lines=[{"line_id": "1", "item": item, "quantity": 3}])
    count = len(answer["parcel_ids"])
    assert count > 1, answer["text"]
    for _ in range(count):

        async def due() -> Any:
            return (await rig.view("s1"))["load_now"]

        bag = await until(due, "a bag to load")
        await rig.verify("s1", bag["expected_scans"][0])
        rig.stations["s1"].seal()
    last = (await rig.jobs("o1"))[-1]
    told: list[tuple[int, int, int]] = []

    def fields(*given: Any, **named: Any) -> Any:
        told.append((named["number"], named["of"], named["reprint"]))
        return parcel_fields(*given, **named)

    monkeypatch.setattr(labelling, "parcel_fields", fields)
    await rig.act(f"/v1/jobs/{last['job_id']}/void")
    assert 200 == (await _reprinted(rig, last["job_id"])).status_code
    assert [(count, count, 1)] == told


async def test_cancelled_job_is_never_printed_and_printed_job_not_cancelled(rig: Rig) -> None:
    """Cancel is for what waits, void for what is out."""
    first = await _printed(rig, "o1")
    await rig.scan("s1", "o2")
    second = (await rig.jobs("o2"))[0]
    assert 204 == (await rig.act(f"/v1/jobs/{second['job_id']}/cancel")).status_code
    assert 409 == (await rig.act(f"/v1/jobs/{second['job_id']}/void")).status_code
    refused = await rig.act(f"/v1/jobs/{first['job_id']}/cancel")
    assert 409 == refused.status_code
    assert "it can't become cancelled" in refused.json()["detail"]
    await rig.verify("s1", await rig.code_of("o1"))
    rig.stations["s1"].seal()
    await _printed(rig, "o3")
    assert ["cancelled"] == await rig.states("o2")
    await sees(lambda: rig.stations["s1"].printed_count == 2, "the two others")


@pytest.mark.parametrize("action", ["void", "hold"])
async def test_two_people_at_once_the_second_is_told(rig: Rig, action: str) -> None:
    """One does it, the other gets a 409 that says so; it is in the ledger once."""
    job = await _printed(rig, "o1")
    path = f"/v1/jobs/{job['job_id']}/void" if action == "void" else "/v1/stations/s1/hold"
    answers = await asyncio.gather(*(rig.act(path, by=f"P{n}") for n in range(5)))
    assert [204, 409, 409, 409, 409] == sorted(answer.status_code for answer in answers)
    kind = EntryKind.JOB_MOVED if action == "void" else EntryKind.STATION_HELD
    done = [e for e in await rig.ledger(kind) if e.actor.startswith("P")]
    assert 1 == len(done)


async def test_unknown_names_are_404(rig: Rig) -> None:
    """Jobs, stations, orders and parcels that are not there."""
    answers = [
        await rig.act("/v1/jobs/j-x/void"),
        await rig.act("/v1/stations/x/hold"),
        await rig.act("/v1/orders/x/move", to_station="s1"),
        await rig.client.get("/v1/parcels/x"),
        await rig.client.get("/v1/stations/x"),
        await rig.client.get("/v1/orders/x"),
        await rig.client.get("/v1/jobs/x/label"),
        await rig.client.get("/v1/nothing"),
    ]
    assert {(404, "application/problem+json")} == {
        (answer.status_code, answer.headers["content-type"]) for answer in answers
    }


async def test_order_moves_to_another_station(rig: Rig) -> None:
    """Its waiting jobs are cancelled here and queued there; the goods get one label."""
    await rig.act("/v1/stations/s1/hold")
    await rig.scan("s1", "o1")
    moved = await rig.act("/v1/orders/o1/move", to_station="s2")
    assert 204 == moved.status_code, moved.text
    job = await rig.job_in("o1", "sent")
    await rig.act("/v1/stations/s1/release")
    await _printed(rig, "o2")
    assert ("s2", 1, 1) == (
        job["station"],
        rig.stations["s1"].printed_count,
        rig.stations["s2"].printed_count,
    )
    assert 409 == (await rig.act("/v1/orders/o1/move", to_station="s1")).status_code


async def test_answer_that_does_not_fit_the_question_is_refused(rig: Rig) -> None:
    """A job that waits for nobody can't be settled."""
    job = await _printed(rig, "o1")
    refused = await rig.settle(job["job_id"], "printed")
    assert (409, True) == (refused.status_code, "waits for nobody" in refused.json()["detail"])
    assert 422 == (await rig.settle(job["job_id"], "perhaps")).status_code


# Labels that the WMS supplied


def _with_label(content: bytes, **more: object) -> dict[str, Any]:
    label = {"language": "zpl", "content": base64.b64encode(content).decode(), **more}
    return {"labels": [label]}


async def test_supplied_label_passes_byte_for_byte(tmp_path: Path) -> None:
    """What the WMS had made elsewhere reaches the printer's socket as it is."""
    heard = asyncio.Queue[bytes]()

    async def listen(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            heard.put_nowait(await reader.readexactly(len(ZPL)))
            await reader.read()
        finally:
            writer.close()

    printer = await asyncio.start_server(listen, "127.0.0.1", 0)
    port = printer.sockets[0].getsockname()[1]
    one = station("s1", lines=[{"kind": "tcp", "options": {"port": port}}])
    async with printer, running(tmp_path, one) as rig:
        answer = await rig.scan("s1", "o1", **_with_label(ZPL))
        assert "queued" == answer["outcome"], answer["text"]
        assert ZPL == await heard.get()
        job = await rig.job_in("o1", "sent")
        assert ["WMS-0001"] == job["expected_scans"]
        kept = (await rig.client.get(f"/v1/jobs/{job['job_id']}/label")).json()
        assert ZPL == base64.b64decode(kept["content_base64"])


@pytest.mark.parametrize(
    "label",
    [
        _with_label(b"^XA^FO10,10^A0N,40,40^FDno code^FS^XZ"),
        _with_label(ZPL, language="epl"),
        {"labels": _with_label(ZPL)["labels"] * 2},
    ],
)
async def test_supplied_label_that_cannot_be_used_goes_to_manual(
    rig: Rig, label: dict[str, Any]
) -> None:
    """No code to verify, another language, another count: never printed, always said why."""
    answer = await rig.scan("s1", "o1", **label)
    assert "manual" == answer["outcome"]
    assert (await rig.story("o1"))["decision"]["reasons"]


# Supplies


async def test_supply_is_counted_down_and_told_low_once(tmp_path: Path) -> None:
    """Each label takes a piece; one event when the mark is passed, none at every piece after."""
    loaded = [{"bag": "small", "pieces_left": 5, "low_at": 3}]
    async with running(tmp_path, station("s1", "tcp", loaded=loaded)) as rig:
        for number in range(4):
            await rig.scan("s1", f"o{number}")
        await rig.job_in("o3", "sent")
        assert 1 == (await rig.view("s1"))["loaded"][0]["pieces_left"]
        low = await rig.outgoing("supply.low")
        assert [3] == [json.loads(row["data"])["facts"]["left"] for row in low]


async def test_supply_that_is_out_leads_to_another_bag_then_to_manual(tmp_path: Path) -> None:
    """The larger bag is taken when the small ones are gone; none at all is a named reason."""
    loaded = [
        {"bag": "small", "slot": 1, "pieces_left": 1},
        {"bag": "large", "slot": 2, "pieces_left": 1},
    ]
    async with running(tmp_path, station("s1", "tcp", loaded=loaded)) as rig:
        bags = []
        for name in ("o1", "o2"):
            await rig.scan("s1", name)
            bags.append((await rig.job_in(name, "sent"))["parcel"]["bag"]["id"])
        assert ["small", "large"] == bags
        assert "manual" == (await rig.scan("s1", "o3"))["outcome"]
        decision = (await rig.story("o3"))["decision"]
        codes = {r["code"] for r in decision["reasons"]}
        codes |= {r["code"] for down in decision["turned_down"] for r in down["reasons"]}
        assert "supply_out" in codes
        await rig.send("supply.changed", "s1", bag="small", slot=1, pieces_left=50)
        assert "queued" == (await rig.scan("s1", "o4"))["outcome"]
        assert 1 == len(await rig.ledger(EntryKind.SUPPLY_CHANGED))


async def test_second_slot_of_the_same_bag_is_used_when_the_first_is_out(tmp_path: Path) -> None:
    """The count goes to the slot that the bag was taken from."""
    loaded = [
        {"bag": "small", "slot": 1, "pieces_left": 1},
        {"bag": "small", "slot": 2, "pieces_left": 9},
    ]
    async with running(tmp_path, station("s1", "tcp", loaded=loaded)) as rig:
        for name in ("o1", "o2", "o3"):
            await rig.scan("s1", name)
        await rig.job_in("o3", "sent")
        assert [0, 7] == [load["pieces_left"] for load in (await rig.view("s1"))["loaded"]]


async def test_tubing_is_counted_in_metres(tmp_path: Path) -> None:
    """A bag takes its own length from the roll."""
    loaded = [{"bag": "tube", "metres_left": 10.0}]
    async with running(tmp_path, station("s1", "tcp", loaded=loaded)) as rig:
        await rig.scan("s1", "o1")
        job = await rig.job_in("o1", "sent")
        left = (await rig.view("s1"))["loaded"][0]["metres_left"]
        assert left == pytest.approx(10 - job["parcel"]["bag"]["length_mm"] / 1000)


async def test_unknown_bag_is_no_supply(rig: Rig) -> None:
    """A bag that the site file does not have can't be loaded; the field is named."""
    refused = await rig.post(rig.event("supply.changed", "s1", bag="none"))
    assert (422, "data.bag") == (refused.status_code, refused.json()["fields"][0]["field"])


async def test_voided_order_may_be_packed_again(rig: Rig) -> None:
    """Its goods are at hand again: a new parcel; the story keeps both."""
    job = await _printed(rig, "o1")
    await rig.act(f"/v1/jobs/{job['job_id']}/void")
    answer = await rig.send("order.scanned", "s1", code="o1", order=order("o1"))
    assert "queued" == answer["outcome"]
    assert 2 == len((await rig.story("o1"))["parcels"])
