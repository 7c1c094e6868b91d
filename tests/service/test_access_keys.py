"""Keys against a running gateway: scope, end, rotation, and who stands in the ledger."""

import re
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest

from gateway.access import keys
from gateway.access.who import KNOWN_FOR_S
from gateway.clock import ManualClock
from gateway.ledger import chain, entries
from schemas.access import AccessRole
from schemas.ledger import EntryKind, LedgerEntry
from tests.service.access_rig import STRUCTURED, Closed, closed, event
from tests.service.gateway_rig import order


async def _status(gateway: Closed, key: str | None, path: str = "/v1/stations") -> int:
    async with gateway.client(key) as client:
        return (await client.get(path)).status_code


async def _ledger(gateway: Closed, kind: EntryKind) -> list[LedgerEntry]:
    told = await gateway.gateway.store.read(lambda conn: entries.page(conn, after=0, limit=10_000))
    return [entry for entry in told if entry.kind is kind]


async def test_key_works_until_its_time_is_over(tmp_path: Path) -> None:
    """The wall clock decides; a second past the end the answer is 401."""
    clock = ManualClock()
    async with closed(tmp_path, clock=clock) as gateway:
        ends = clock.now() + timedelta(days=1)
        key = await gateway.key(AccessRole.SENDER, expires=ends)
        before = await _status(gateway, key)
        clock.advance(timedelta(days=1).total_seconds())
        after = await _status(gateway, key)
    assert (200, 401) == (before, after)


async def test_rotated_key_and_its_successor_both_work_while_they_overlap(tmp_path: Path) -> None:
    """Nothing stands still while a sender changes over; then the old key is at its end."""
    clock = ManualClock()
    async with closed(tmp_path, clock=clock) as gateway:
        old = await gateway.key(AccessRole.SENDER, name="wms")
        key_id = old.split("_")[1]
        made, new = await gateway.gateway.store.write(
            lambda work: keys.rotate(work, key_id, overlap=timedelta(hours=1), by="test")
        )
        during = (await _status(gateway, old), await _status(gateway, new))
        clock.advance(3600)
        after = (await _status(gateway, old), await _status(gateway, new))
        (_, rotated) = await _ledger(gateway, EntryKind.ACCESS_CHANGED)
    assert ("wms", AccessRole.SENDER) == (made.name, made.role)
    assert ((200, 200), (401, 200)) == (during, after)
    assert key_id == rotated.data["replaces"]


async def test_revoked_key_opens_nothing_within_a_second(tmp_path: Path) -> None:
    """However often it was used before; what is remembered of it is soon read anew."""
    clock = ManualClock()
    async with closed(tmp_path, clock=clock) as gateway:
        key = await gateway.key(AccessRole.SENDER)
        before = await _status(gateway, key)
        await gateway.gateway.store.write(
            lambda work: keys.revoke(work, key.split("_")[1], reason="lost", by="test")
        )
        clock.advance(KNOWN_FOR_S)
        after = await _status(gateway, key)
    assert (200, 401) == (before, after)


@pytest.mark.parametrize(
    "shown",
    [
        "", "Bearer", "bgr_x_y", "Basic Zm9vOmJhcg==", "Bearer bgr_aaaaaaaaaa_" + "A" * 43,
        "Bearer " + "A" * 5000, "Bearer eyJhbGciOiJub25lIn0.e30.", "Bearer a b",
    ],
)  # fmt: skip
async def test_what_is_no_key_is_refused_with_a_challenge(tmp_path: Path, shown: str) -> None:
    """401 as a problem, and a challenge as RFC 6750 section 3 has it."""
    async with closed(tmp_path) as gateway, gateway.client() as client:
        answer = await client.get("/v1/stations", headers={"authorization": shown})
    assert (401, "application/problem+json") == (
        answer.status_code, answer.headers["content-type"]
    )  # fmt: skip
    assert 'Bearer realm="bagrelay", error="invalid_token"' == answer.headers["www-authenticate"]


async def test_key_with_one_sign_changed_is_refused(tmp_path: Path) -> None:
    """Every place of the secret counts."""
    async with closed(tmp_path, http={"limits": {"failures_at_once": 1000}}) as gateway:
        key = await gateway.key(AccessRole.SENDER)
        answers = set()
        for place in range(len("bgr_"), len(key)):
            other = "A" if key[place] != "A" else "B"
            answers.add(await _status(gateway, key[:place] + other + key[place + 1 :]))
    assert {401} == answers


async def test_wrong_keys_from_one_address_make_it_wait_but_not_the_right_one(
    tmp_path: Path,
) -> None:
    """After too many wrong keys: 429 with Retry-After; a good key from there still works."""
    limits = {"limits": {"failures_at_once": 3}}
    async with closed(tmp_path, http=limits, clock=ManualClock()) as gateway:
        key = await gateway.key(AccessRole.SENDER)
        async with gateway.client("bgr_nonsense") as client:
            answers = [await client.get("/v1/stations") for _ in range(5)]
        good = await _status(gateway, key)
    assert [401, 401, 401, 429, 429] == [answer.status_code for answer in answers]
    assert int(answers[-1].headers["retry-after"]) >= 1
    assert 200 == good


async def test_who_did_it_stands_in_the_ledger_whatever_the_body_says(tmp_path: Path) -> None:
    """The key's name is the actor; `by` and `operator` only add to it."""
    async with closed(tmp_path) as gateway:
        sender = await gateway.key(AccessRole.SENDER, name="wms-1")
        operator = await gateway.key(AccessRole.OPERATOR, "s1", name="desk-1")
        async with gateway.client(sender) as wms, gateway.client(operator) as desk:
            scan = event("1", "order.scanned", "s1", code="SO-1", order=order("SO-1"))
            scan["data"]["operator"] = "gateway"
            await wms.post("/v1/events", json=scan, headers=STRUCTURED)
            said = {"reason": "tea", "by": "supervisor"}
            held = await desk.post("/v1/stations/s1/hold", json=said)
            label = event("2", "label.scanned", "s1", code="x", operator="desk-1")
            await desk.post("/v1/events", json=label, headers=STRUCTURED)
        accepted = await _ledger(gateway, EntryKind.EVENT_ACCEPTED)
        received = await _ledger(gateway, EntryKind.ORDER_RECEIVED)
        hold, *_ = await _ledger(gateway, EntryKind.STATION_HELD)
        scans = await _ledger(gateway, EntryKind.SCAN_REFUSED)
    assert 204 == held.status_code
    assert ["wms-1", "desk-1"] == [entry.actor for entry in accepted]
    assert ["wms-1 (gateway)"] == [entry.actor for entry in received]
    assert "desk-1 (supervisor)" == hold.actor
    assert ["desk-1"] == [entry.actor for entry in scans]


async def test_key_commands_work_beside_a_running_gateway(tmp_path: Path) -> None:
    """Made, used, rotated, listed and revoked from the command line while the gateway serves.

    The ledger stays one chain, though two processes wrote to it.
    """
    site = tmp_path / "site.toml"
    async with closed(tmp_path) as gateway:
        site.write_text(
            f'name = "closed"\ngs1.company_prefix = "9521234"\n'
            f'store.url = "sqlite:///{tmp_path / "closed.db"}"\nstation = []\n',
            encoding="utf-8",
        )
        made = _run(site, "new", "wms", "--role", "sender")
        key = made.stdout.strip()
        assert re.fullmatch(r"bgr_[a-z0-9]{10}_[\w-]{43}", key), made.stderr
        first = await _status(gateway, key)
        again = _run(site, "new", "wms", "--role", "sender")
        key_id = key.split("_")[1]
        fresh = _run(site, "rotate", key_id, "--overlap-hours", "0").stdout.strip()
        listed = _run(site, "list").stdout
        _run(site, "revoke", fresh.split("_")[1], "--reason", "left in a train")
        await gateway.gateway.store.write(lambda work: work.record(EntryKind.ACCESS_CHANGED))
        changes = await _ledger(gateway, EntryKind.ACCESS_CHANGED)
        whole = await gateway.gateway.store.read(
            lambda conn: chain.verify(entries.stored_rows(conn))
        )
    assert (200, 1) == (first, again.returncode)
    assert [fresh.split("_")[1]] == [line.split()[0] for line in listed.splitlines()]
    assert key.split("_", 2)[2] not in listed
    assert ["key new", "key rotated", "key revoked"] == [
        entry.data["change"] for entry in changes if entry.data
    ]
    assert all(entry.actor.startswith("command line") for entry in changes if entry.data)
    assert whole.ok, whole.text


def _run(site: Path, *arguments: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "gateway", "access", "key", *arguments, "--site", str(site)],
        check=False, capture_output=True, text=True,
    )  # fmt: skip


async def test_no_secret_is_kept_or_told(tmp_path: Path) -> None:
    """Neither the store's files nor the ledger hold a key's secret or a session's cookie."""
    async with closed(tmp_path) as gateway:
        key = await gateway.key(AccessRole.SUPERVISOR)
        async with gateway.client() as browser:
            answer = await browser.post(
                "/sign-in", data={"key": key}, headers={"origin": gateway.url}
            )
            cookie = answer.cookies["bagrelay_session"]
    kept = b"".join(path.read_bytes() for path in tmp_path.glob("closed.db*"))
    assert len(kept) > 10_000
    assert key.split("_", 2)[2].encode() not in kept
    assert cookie.encode() not in kept
