"""`bagrelay serve` and its door: closed unless told, open on this machine only, secrets untold."""

import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import httpx
import pytest

from gateway.access import keys, sessions
from gateway.clock import ManualClock
from gateway.store.store import Store
from schemas.access import AccessRole
from tests.rigs.by_hand import ROOT, by_hand
from tests.rigs.servers import free_port

ROOM = (ROOT / "examples" / "room.toml").read_text(encoding="utf-8")


def _serve(folder: Path, *arguments: str) -> "subprocess.CompletedProcess[str]":
    site = folder / "room.toml"
    site.write_text(ROOM, encoding="utf-8")
    return subprocess.run(
        [sys.executable, "-m", "gateway", "serve", str(site), *arguments],
        cwd=folder, check=False, capture_output=True, text=True, timeout=60,
    )  # fmt: skip


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "room.example"])
def test_open_door_does_not_start_where_others_reach_it(tmp_path: Path, host: str) -> None:
    """Exit code 2, what is the matter and what to do; no store was made."""
    done = _serve(tmp_path, "--host", host, "--port", "0")
    assert 2 == done.returncode
    assert "access.open_door" in done.stderr
    assert [] == list(tmp_path.glob("*.db"))


@pytest.mark.parametrize(("mode", "says"), [(0o644, "chmod 600"), (0o600, "cannot be read")])
def test_bad_ledger_key_is_told_in_a_sentence(tmp_path: Path, mode: int, says: str) -> None:
    """A key that others may read, or that is none: exit code 2 and what to do, no traceback."""
    key = tmp_path / "bagrelay.ledger-key.pem"
    key.write_text("not a key")
    key.chmod(mode)
    done = _serve(tmp_path, "--port", "0")
    assert (2, 1) == (done.returncode, len(done.stderr.splitlines()))
    assert says in done.stderr
    assert key.name in done.stderr


@pytest.mark.parametrize(
    ("taken", "says"), [("store", "Another gateway runs on"), ("port", "address already in use")]
)
def test_gateway_that_finds_its_place_taken_ends_with_3(
    tmp_path: Path, taken: str, says: str
) -> None:
    """Nothing is wrong with the site file, so it may be started again; the log says why."""
    with by_hand(tmp_path) as room:
        site = tmp_path / "room.toml"
        port = room.gateway.rsplit(":", 1)[1]
        if taken == "port":
            text = site.read_text(encoding="utf-8").replace("bagrelay.db", "another.db")
            site = tmp_path / "another.toml"
            site.write_text(text, encoding="utf-8")
        else:
            port = str(free_port())
        done = subprocess.run(
            [sys.executable, "-m", "gateway", "serve", str(site), "--port", port],
            cwd=tmp_path, check=False, capture_output=True, text=True, timeout=60,
        )  # fmt: skip
    assert 3 == done.returncode
    assert says in done.stdout + done.stderr


@pytest.mark.parametrize("options", [(), ("--closed",)], ids=["open", "closed"])
def test_open_door_says_so_and_no_log_line_holds_what_was_shown(
    tmp_path: Path, options: tuple[str, ...]
) -> None:
    """It starts with a warning; keys and cookies that were shown are in no line, open or closed."""
    shown = "bgr_abcdefghij_" + "S" * 43
    bearer = {"authorization": f"Bearer {shown}"}
    with by_hand(tmp_path, *options) as room:
        listed = httpx.get(f"{room.gateway}/v1/stations", headers=bearer)
        httpx.get(f"{room.gateway}/v1/search", params={"q": shown})
        form = {"key": shown, "to": "/floor"}
        httpx.post(f"{room.gateway}/sign-in", data=form, headers={"origin": room.gateway})
        httpx.get(f"{room.gateway}/floor", cookies={"bagrelay_session": "T" * 43})
        httpx.post(f"{room.gateway}/v1/events", content=shown, headers={"content-encoding": "br"})
        log = room.log.read_text(encoding="utf-8")
    expected = (401, False) if options else (200, True)
    assert expected == (listed.status_code, "The door stands open" in log)
    assert "request.refused" in log
    assert "S" * 43 not in log
    assert "T" * 43 not in log


def test_check_tells_no_secret_that_a_site_file_holds_by_mistake(tmp_path: Path) -> None:
    """A password in a wrong place is an error by its line, without the password."""
    site = tmp_path / "room.toml"
    wrong = 'url = "postgresql://u:hunter2@db/room"\npassword = "hunter2"'
    site.write_text(ROOM.replace('url = "sqlite:///bagrelay.db"', wrong), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "gateway", "check", str(site)],
        check=False, capture_output=True, text=True,
    )  # fmt: skip
    assert 2 == done.returncode
    assert "hunter2" not in done.stdout + done.stderr


@pytest.mark.parametrize("kind", ["sqlite", "postgres"])
async def test_keys_and_sessions_are_the_same_on_either_store(
    tmp_path: Path, kind: str, request: pytest.FixtureRequest
) -> None:
    """Made, found, rotated, revoked; a session begun and ended."""
    url = f"sqlite:///{tmp_path / 'a.db'}"
    if kind == "postgres":
        url = request.getfixturevalue("postgres_url")
    store = Store(url, ManualClock())
    store.start()
    try:
        made, text = await store.write(
            lambda work: keys.new(
                work, name="wms", role=AccessRole.SENDER, stations=("s1",), expires=None, by="t"
            )
        )
        parts = keys.split(text)
        assert parts is not None
        kept = await store.read(lambda conn: keys.find(conn, made.key_id))
        assert kept is not None
        assert kept.good(parts[1], ManualClock().now())
        fresh, _ = await store.write(
            lambda work: keys.rotate(work, made.key_id, overlap=timedelta(), by="t")
        )
        await store.write(lambda work: keys.revoke(work, fresh.key_id, reason="x", by="t"))
        ends = [
            (key.expires is not None, key.revoked is not None)
            for key in await store.read(keys.listed)
        ]
        caller = kept.caller()
        cookie = await store.write(lambda work: sessions.begin(work, caller, timedelta(hours=1)))
        during = await store.read(lambda conn: sessions.find(conn, cookie))
        await store.write(lambda work: sessions.end(work, cookie))
        after = await store.read(lambda conn: sessions.find(conn, cookie))
    finally:
        store.close()
    assert [(False, True), (True, False)] == sorted(ends)
    assert during is not None
    assert (frozenset({"s1"}), None) == (during.caller.stations, after)
