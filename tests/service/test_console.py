"""Cases, search and forms of the pages against a running gateway, on both stores."""

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from browser.rig import Room, running

from gateway.ledger.chain import verify
from gateway.ledger.entries import stored_rows

SAID = {"note": "a bag was torn off at the roll change", "by": "R. Example"}


@pytest.fixture(params=["sqlite", "postgres"])
async def room(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Room]:
    """A room over each kind of store."""
    url = request.getfixturevalue("postgres_url") if request.param == "postgres" else None
    async with running(tmp_path, store=url) as room:
        yield room


async def _get(room: Room, path: str) -> Any:
    answer = await room.api.get(path)
    assert 200 == answer.status_code, answer.text
    return answer.json()


async def _kinds(room: Room) -> list[str]:
    return [case["kind"] for case in await _get(room, "/v1/cases")]


async def test_shift_opens_one_case_with_its_chain(room: Room) -> None:
    """The refused scan opens a case, a second one joins it, the repair is told in its chain."""
    row = await room.shift()
    await room.label("bench", row[1]["expected_scans"][0])
    plan = await _get(room, "/v1/stations/bench/repair")
    said = {"reason": "found it", "by": "R. Example", "void": plan["void"]}
    assert 200 == (await room.api.post("/v1/stations/bench/repair", json=said)).status_code
    assert ["shifted_row"] == await _kinds(room)

    story = await _get(room, "/v1/cases/M-00001")
    chain = [entry["kind"] for entry in story["entries"]]
    assert 2 == chain.count("scan.refused")
    for kind in ("case.opened", "station.held", "row.repaired", "station.released", "job.created"):
        assert kind in chain
    why = {bag["order_id"]: bag["why"] for bag in story["affected"]["bags"]}
    assert "missing" == why[row[0]["order_id"]]
    assert "held_the_goods" == why[row[1]["order_id"]]


async def test_case_goes_from_open_to_explained_to_closed_once(room: Room) -> None:
    """Each step needs a note and a name, is in the ledger, and a closed case stays closed."""
    await room.shift()
    url = "/v1/cases/M-00001"
    assert 422 == (await room.api.post(f"{url}/close", json={"note": "", "by": "x"})).status_code
    assert 204 == (await room.api.post(f"{url}/explain", json=SAID)).status_code
    assert "explained" == (await _get(room, url))["case"]["state"]
    assert 204 == (await room.api.post(f"{url}/close", json=SAID)).status_code
    assert 409 == (await room.api.post(f"{url}/close", json=SAID)).status_code
    assert 409 == (await room.api.post(f"{url}/explain", json=SAID)).status_code

    story = await _get(room, url)
    changes = [e["data"]["state"] for e in story["entries"] if e["kind"] == "case.changed"]
    assert ["explained", "closed"] == changes
    assert 404 == (await room.api.post("/v1/cases/M-99999/close", json=SAID)).status_code
    report = room.gateway.store.read_now(lambda conn: verify(stored_rows(conn)))
    assert report.ok


async def test_closed_case_opens_anew_when_it_happens_again(room: Room) -> None:
    """The same fault after the close is a case of its own."""
    row = await room.shift()
    await room.api.post("/v1/cases/M-00001/close", json=SAID)
    await room.label("bench", row[1]["expected_scans"][0])
    assert ["shifted_row", "shifted_row"] == await _kinds(room)


async def test_label_read_twice_is_a_repeated_label(room: Room) -> None:
    """A label that was verified and turns up on another bag exists twice."""
    row = await room.two_printed()
    code = row[0]["expected_scans"][0]
    verdicts = [(await room.label("bench", code))["verdict"] for _ in range(3)]
    assert ["match", "repeat", "old_label"] == verdicts
    assert ["repeated_label"] == await _kinds(room)


async def test_void_label_that_turns_up_is_stale(room: Room) -> None:
    """A voided label that is read again should have been destroyed."""
    row = await room.two_printed()
    said = {"reason": "torn", "by": "R. Example"}
    await room.api.post(f"/v1/jobs/{row[0]['job_id']}/void", json=said)
    await room.label("bench", row[0]["expected_scans"][0])
    assert ["stale_label"] == await _kinds(room)


async def test_three_tries_without_a_read_open_a_case(room: Room) -> None:
    """Two tries are nothing, the third holds the station and opens a case."""
    await room.two_printed()
    for expected in ([], [], ["no_read"]):
        await room.label("bench", None)
        assert expected == await _kinds(room)


async def test_foreign_code_and_unscanned_bag_have_their_kinds(room: Room) -> None:
    """The goods' own code, and a bag that moved on without its scan."""
    await room.two_printed()
    await room.label("bench", "4006381333931")
    said = {"reason": "looked", "by": "R. Example"}
    await room.api.post("/v1/stations/bench/release", json=said)
    await room.send("bag.advanced", station="bench")
    assert ["left_unscanned", "foreign_code"] == await _kinds(room)


async def test_roll_change_names_the_bags_in_the_row(room: Room) -> None:
    """What hung between print and scan when the roll was changed could be affected."""
    row = await room.two_printed()
    await room.send("supply.changed", station="bench", slot=1, bag="mailer-250x350", pieces_left=9)
    entries = await _get(room, "/v1/ledger/entries?limit=500")
    seq = next(entry["seq"] for entry in entries if entry["kind"] == "supply.changed")
    found = await _get(room, f"/v1/stations/bench/affected?seq={seq}")
    assert {bag["job_id"] for bag in row} == {bag["job_id"] for bag in found["bags"]}


async def test_search_understands_what_people_have_in_hand(room: Room) -> None:
    """Order, its beginning, tote, code as scanned and as printed, SSCC, article, bag, time."""
    row = await room.two_printed()
    first = row[0]
    code = first["expected_scans"][0]
    sscc = next(code for code in first["expected_scans"] if len(code) == 20)
    for query, understood in {
        first["order_id"]: "order",
        "TOTE-T1": "scan_code",
        code: "code",
        f"]C1{code}": "code",
        f"({sscc[:2]}) {sscc[2:]}": "sscc",
        sscc[2:]: "sscc",
        first["parcel_id"]: "parcel",
        first["job_id"]: "parcel",
        "TW-3003": "article",
        "mailer-250x350": "bag",
        "T-00": "beginning",
        "bench": "station",
        "no such thing": "nothing",
    }.items():
        answer = (await room.api.get("/v1/search", params={"q": query})).json()
        assert understood == answer["understood_as"], query
        if understood not in {"station", "nothing"}:
            assert first["order_id"] in {one["id"] for one in answer["found"]}, query


async def test_search_by_time_finds_what_happened_then(room: Room) -> None:
    """A time of day at the site means today, and five minutes either way."""
    row = await room.two_printed()
    zone_now = room.gateway.clock.now().astimezone(_zone(room))
    for query in (f"{zone_now:%H:%M}", f"{zone_now:%Y-%m-%d %H:%M}"):
        answer = (await room.api.get("/v1/search", params={"q": query})).json()
        assert "time" == answer["understood_as"]
        assert row[0]["order_id"] in {one["id"] for one in answer["found"]}


def _zone(room: Room) -> Any:
    from zoneinfo import ZoneInfo

    return ZoneInfo(room.gateway.site.time_zone)


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "http://elsewhere.example"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "none"},
    ],
)
async def test_form_from_another_site_does_nothing(room: Room, headers: dict[str, str]) -> None:
    """A form that another site made the browser send is refused; the same from us is taken."""
    form = {"reason": "because", "by": "R. Example"}
    answer = await room.api.post("/floor/bench/hold", data=form, headers=headers)
    assert 403 == answer.status_code
    assert (await room.view("bench"))["held"] is None
    answer = await room.api.post("/floor/bench/hold", data=form, headers={"origin": room.url})
    assert 303 == answer.status_code
    assert "by_hand" == (await room.view("bench"))["held"]["kind"]


async def test_form_without_a_reason_or_a_name_is_refused_in_words(room: Room) -> None:
    """What is missing is named on a page, and nothing is done."""
    own = {"origin": room.url}
    answer = await room.api.post("/floor/bench/hold", data={"reason": " "}, headers=own)
    assert 422 == answer.status_code
    assert "why and who you are" in answer.text
    assert (await room.view("bench"))["held"] is None


async def test_form_sent_twice_is_done_once(room: Room) -> None:
    """A supply form that a nervous finger sends twice counts as one change."""
    own = {"origin": room.url}
    form = {
        "once": "f00d", "slot": "1", "bag": "mailer-250x350",
        "left": "500", "unit": "bags", "by": "R. Example",
    }  # fmt: skip
    for _ in range(2):
        answer = await room.api.post("/floor/bench/supply", data=form, headers=own)
        assert 303 == answer.status_code
    entries = await _get(room, "/v1/ledger/entries?limit=500")
    assert 1 == [entry["kind"] for entry in entries].count("supply.changed")


async def test_return_address_of_a_form_leads_nowhere_else(room: Room) -> None:
    """A form's return address is taken only where it is a page of ours."""
    row = await room.two_printed()
    own = {"origin": room.url}
    form = {"reason": "torn", "by": "R. Example", "back": "//elsewhere.example/"}
    answer = await room.api.post(f"/jobs/{row[0]['job_id']}/void", data=form, headers=own)
    assert "/waiting?done=voided" == answer.headers["location"]


async def test_pages_carry_a_strict_policy_and_are_packed(room: Room) -> None:
    """Nothing but our own files may run or be asked for, nobody may frame a page."""
    answer = await room.api.get("/floor")
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert "gzip" == answer.headers["content-encoding"]
    assert 404 == (await room.api.get("/static/../frame.py")).status_code
    assert 404 == (await room.api.get("/static/vendor/VENDOR.txt")).status_code


async def test_name_of_an_order_can_not_become_markup(room: Room) -> None:
    """Whatever the WMS sends is text on every page."""
    nasty = "<img src=x onerror=alert(1)>"
    order = room.small(1)[0].model_copy(update={"order_id": nasty, "scan_code": "TOTE-N"})
    await room.scan("bench", order)
    await room.until("bench", lambda v: v["row"])
    for path in ("/floor", "/floor/bench", "/orders", "/search?q=TOTE-N", "/search?q=TW-3003"):
        answer = await room.api.get(path, follow_redirects=True)
        assert 200 == answer.status_code
        assert "<img src=x" not in answer.text
