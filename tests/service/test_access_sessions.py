"""Sessions of people on the pages: sign in, act, sign out, and requests that other sites cause."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.access import keys
from gateway.access.who import KNOWN_FOR_S
from gateway.clock import ManualClock
from schemas.access import AccessRole
from schemas.ledger import EntryKind
from tests.service.access_rig import Closed, closed
from tests.service.gateway_rig import running, station
from tests.service.test_access_keys import _ledger

PAGE = {"accept": "text/html"}


def _own(gateway: Closed) -> dict[str, str]:
    return {"origin": gateway.url}


def _form(gateway: Closed) -> dict[str, str]:
    """What a browser says of a form without fields."""
    return {**_own(gateway), "content-type": "application/x-www-form-urlencoded"}


async def _sign_in(gateway: Closed, browser: httpx.AsyncClient, key: str, to: str = "") -> Any:
    return await browser.post("/sign-in", data={"key": key, "to": to}, headers=_own(gateway))


async def test_person_signs_in_acts_under_their_name_and_signs_out(tmp_path: Path) -> None:
    """Both ends of the session and what was done in it stand in the ledger under the key's name."""
    async with closed(tmp_path) as gateway, gateway.client() as browser:
        key = await gateway.key(AccessRole.OPERATOR, name="Ilse")
        answer = await _sign_in(gateway, browser, key, "/floor/s1")
        floor = await browser.get("/floor", headers=PAGE)
        form = {"reason": "tea", "by": "Somebody Else"}
        held = await browser.post("/floor/s1/hold", data=form, headers=_own(gateway))
        left = await browser.post("/sign-out", headers=_form(gateway))
        after = await browser.get("/floor", headers=PAGE)
        hold, *_ = await _ledger(gateway, EntryKind.STATION_HELD)
        changes = await _ledger(gateway, EntryKind.ACCESS_CHANGED)
    cookie = answer.headers["set-cookie"].lower()
    assert (303, "/floor/s1") == (answer.status_code, answer.headers["location"])
    assert all(part in cookie for part in ("httponly", "samesite=strict", "path=/"))
    assert 200 == floor.status_code
    assert "Ilse" in floor.text
    assert (303, 303, "Ilse") == (held.status_code, left.status_code, hold.actor)
    assert (303, "/sign-in?to=/floor") == (after.status_code, after.headers["location"])
    assert ["signed in", "signed out"] == [c.data["change"] for c in changes][1:]


async def test_person_who_may_not_is_told_on_a_page_and_a_program_in_json(tmp_path: Path) -> None:
    """403 as a page for whoever asks for one, without anything of the room in it."""
    async with closed(tmp_path) as gateway, gateway.client() as browser:
        await _sign_in(gateway, browser, await gateway.key(AccessRole.OPERATOR, name="Ilse"))
        page = await browser.get("/goods", headers=PAGE)
        program = await browser.get("/goods", headers={"accept": "application/json"})
        nowhere = await browser.get("/nowhere", headers=PAGE)
    assert (403, 403, 404) == (page.status_code, program.status_code, nowhere.status_code)
    assert page.headers["content-type"].startswith("text/html")
    assert "default-src 'none'" in page.headers["content-security-policy"]
    assert "Sign in as somebody else" in page.text
    assert "The role operator may not do this." in page.text
    assert "s1" not in page.text
    assert "application/problem+json" == program.headers["content-type"]
    assert nowhere.headers["content-type"].startswith("text/html")


async def test_framework_pages_that_load_from_elsewhere_are_not_there(tmp_path: Path) -> None:
    """The API's description is JSON of our own; no page of ours fetches a script from outside."""
    async with closed(tmp_path) as gateway, gateway.client() as integrator:
        key = await gateway.key(AccessRole.INTEGRATOR)
        integrator.headers["authorization"] = f"Bearer {key}"
        pages = [(await integrator.get(path)).status_code for path in ("/docs", "/redoc")]
        described = await integrator.get("/openapi.json")
    assert ([404, 404], 200) == (pages, described.status_code)


async def test_cookie_that_was_signed_out_opens_nothing_for_whoever_kept_it(
    tmp_path: Path,
) -> None:
    """Signing out ends the session itself, not only the browser's memory of it."""
    async with closed(tmp_path) as gateway, gateway.client() as browser:
        await _sign_in(gateway, browser, await gateway.key(AccessRole.OPERATOR))
        cookie = browser.cookies["bagrelay_session"]
        await browser.post("/sign-out", headers=_form(gateway))
        async with gateway.client(cookies={"bagrelay_session": cookie}) as thief:
            answer = await thief.get("/v1/stations")
    assert 401 == answer.status_code


@pytest.mark.parametrize("ends", ["time", "key"])
async def test_session_ends_with_its_time_and_with_its_key(tmp_path: Path, ends: str) -> None:
    """Ten hours are over, or the key that was shown is revoked."""
    clock = ManualClock()
    async with closed(tmp_path, clock=clock) as gateway, gateway.client() as browser:
        key = await gateway.key(AccessRole.OPERATOR)
        await _sign_in(gateway, browser, key)
        before = await browser.get("/v1/stations")
        if ends == "time":
            clock.advance(timedelta(hours=10).total_seconds())
        else:
            await gateway.gateway.store.write(
                lambda work: keys.revoke(work, key.split("_")[1], reason="left", by="test")
            )
            clock.advance(KNOWN_FOR_S)
        after = await browser.get("/v1/stations")
    assert (200, 401) == (before.status_code, after.status_code)


FOREIGN = [
    {"origin": "https://elsewhere.example"},
    {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"},
    {"sec-fetch-site": "none"},
    {"origin": "null"},
    {},
]


@pytest.mark.parametrize("said", FOREIGN, ids=str)
@pytest.mark.parametrize("path", ["/floor/s1/hold", "/v1/stations/s1/hold", "/v1/events"])
async def test_write_with_a_cookie_that_is_not_from_our_page_is_refused(
    tmp_path: Path, said: dict[str, str], path: str
) -> None:
    """On pages and on the API alike; nothing was done."""
    async with closed(tmp_path) as gateway, gateway.client() as browser:
        await _sign_in(gateway, browser, await gateway.key(AccessRole.SUPERVISOR))
        answer = await browser.post(path, json={"reason": "x", "by": "x"}, headers=said)
        held = await _ledger(gateway, EntryKind.STATION_HELD)
    assert (403, []) == (answer.status_code, held)


@pytest.mark.parametrize(
    ("role", "stations", "finds"),
    [
        (AccessRole.SUPERVISOR, (), True),
        (AccessRole.INTEGRATOR, (), False),
        (AccessRole.OPERATOR, ("s1",), False),
    ],
)
async def test_search_is_offered_to_whom_it_answers(
    tmp_path: Path, role: AccessRole, stations: tuple[str, ...], finds: bool
) -> None:
    """Whoever may not search the room's orders sees neither the box nor links that lead there."""
    async with closed(tmp_path) as gateway, gateway.client() as browser:
        await _sign_in(gateway, browser, await gateway.key(role, *stations))
        status = (await browser.get("/search", params={"q": "small"})).status_code
        for path in ("/floor/s1", "/goods") if not stations else ("/floor/s1",):
            page = await browser.get(path)
            assert page.status_code == 200
            assert ("/search" in page.text) == finds, path
    assert (status == 200) == finds


@pytest.mark.parametrize("to", ["https://elsewhere.example/", "//elsewhere.example", "/\\x", "x"])
async def test_sign_in_leads_to_our_own_pages_only(tmp_path: Path, to: str) -> None:
    """A link that was sent around can't make our sign-in lead elsewhere."""
    async with closed(tmp_path) as gateway, gateway.client() as browser:
        answer = await _sign_in(gateway, browser, await gateway.key(AccessRole.OPERATOR), to)
    assert "/floor" == answer.headers["location"]


async def test_machines_keys_and_wrong_keys_get_no_session(tmp_path: Path) -> None:
    """A sender's key stays with its sender; each refusal says why on the page, without the key."""
    async with closed(tmp_path) as gateway, gateway.client() as browser:
        sender = await _sign_in(gateway, browser, await gateway.key(AccessRole.SENDER))
        wrong = await _sign_in(gateway, browser, "bgr_not_a_key")
        foreign = await browser.post(
            "/sign-in", data={"key": "x"}, headers={"origin": "https://elsewhere.example"}
        )
    assert (403, 401, 403) == (sender.status_code, wrong.status_code, foreign.status_code)
    assert not browser.cookies
    assert "bgr_not_a_key" not in wrong.text


async def test_open_door_takes_nothing_that_other_sites_cause(tmp_path: Path) -> None:
    """A page elsewhere can't print by way of a browser here, nor by a name that leads here."""
    async with running(tmp_path, station("s1")) as rig:
        said = {"reason": "x", "by": "x"}
        url = "/v1/stations/s1/hold"
        foreign = await rig.client.post(url, json=said, headers={"origin": "https://a.example"})
        rebound = await rig.client.get("/v1/stations", headers={"host": "a.example:8080"})
        plain = await rig.client.post(url, json=said)
    assert (403, 403, 204) == (foreign.status_code, rebound.status_code, plain.status_code)
