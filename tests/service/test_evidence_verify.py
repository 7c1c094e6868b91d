"""`bagrelay ledger verify` finds whatever was done to the ledger behind the gateway's back."""

import asyncio
import html
import json
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from typing import Any

import orjson
import pytest
import sqlalchemy as sa
from gateway_rig import running, station
from packed_orders import pack_and_finish, sqlite_url, started
from typer.testing import CliRunner

from gateway.clock import ManualClock
from gateway.commands.root import app
from gateway.ledger import checkpoints
from gateway.ledger.checkpoint import new_key, private_pem, to_text
from gateway.ledger.whole_check import check_whole, size_of
from gateway.store.store import Store
from schemas.ledger import Checkpoint

Change = Callable[[sqlite3.Connection], object]


def verify(*words: str | Path) -> tuple[int, dict[str, Any]]:
    """Run the command; its exit code and what it says."""
    done = CliRunner().invoke(app, ["ledger", "verify", "--json", *map(str, words)])
    return done.exit_code, json.loads(done.stdout)


async def sign(store: Store, key_file: Path) -> Checkpoint:
    """Sign the ledger as it stands and keep the checkpoint in the store."""
    key = new_key()
    if key_file.exists():
        from gateway.ledger.keys import read_key

        key = read_key(key_file)
    else:
        key_file.touch(0o600)
        key_file.write_bytes(private_pem(key))
    signed = await store.read(
        lambda conn: checkpoints.sign_now(conn, key, "room", ManualClock().now())
    )
    assert signed is not None
    await store.write(lambda work: checkpoints.keep(work, signed, to_send=False))
    return signed


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    """A store with 30 entries, signed at 14 and 29; the last one tells of the last checkpoint."""
    clock = ManualClock()

    async def fill(store: Store) -> None:
        for number in (1, 2):
            for order in range(2):
                await store.write(lambda work, n=number, o=order: pack_and_finish(work, f"{n}{o}"))
            signed = await sign(store, tmp_path / "room.ledger-key.pem")
            (tmp_path / f"checkpoint-{number}.json").write_text(to_text(signed))

    with started(sqlite_url(tmp_path), clock) as store:
        asyncio.run(fill(store))
    with closing(sqlite3.connect(tmp_path / "room.db", isolation_level=None)) as conn:
        conn.execute("DROP TRIGGER entries_stay_as_they_are")
        conn.execute("DROP TRIGGER entries_stay")
    return tmp_path / "room.db"


def texts(conn: sqlite3.Connection) -> dict[int, dict[str, Any]]:
    """All entries by number."""
    rows = conn.execute("SELECT seq, canonical FROM entries ORDER BY seq")
    return {seq: orjson.loads(text) for seq, text in rows}


def put(conn: sqlite3.Connection, entry: dict[str, Any], at: int) -> None:
    """Write an entry's text with a hash that fits it."""
    text = orjson.dumps(entry, option=orjson.OPT_SORT_KEYS)
    conn.execute(
        "INSERT OR REPLACE INTO entries (seq, canonical, hash, time, kind, order_id, parcel_id,"
        " job_id, station, event_id) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            at, text, sha256(text).digest(), entry["time"], entry["kind"], entry["order_id"],
            entry["parcel_id"], entry["job_id"], entry["station"], entry["event_id"],
        ),
    )  # fmt: skip


def rewrite(conn: sqlite3.Connection, first: int) -> None:
    """Forge an entry and seal everything after it anew, the head and the tree's root too."""
    from gateway.ledger.merkle import CompactRange, leaf_hash

    prev = None
    for seq, entry in texts(conn).items():
        if seq < first:
            continue
        if seq == first:
            entry["actor"] = "somebody else"
        else:
            entry["prev"] = prev
        put(conn, entry, seq)
        prev = conn.execute("SELECT hash FROM entries WHERE seq = ?", (seq,)).fetchone()[0].hex()
    tree = CompactRange()
    for (text,) in conn.execute("SELECT canonical FROM entries ORDER BY seq"):
        tree.append(leaf_hash(text))
    conn.execute('UPDATE ledger_head SET last_hash = ?, "range" = ?', (prev, tree.serialise()))


def inserted(conn: sqlite3.Connection) -> None:
    """Put a copy of entry 5 in after it and move the others up."""
    for seq in reversed(texts(conn)):
        if seq > 5:
            conn.execute("UPDATE entries SET seq = ? WHERE seq = ?", (seq + 1, seq))
    put(conn, texts(conn)[5], 6)


def reordered(conn: sqlite3.Connection) -> None:
    """Let entries 5 and 6 change places."""
    for was, to in ((5, 9999), (6, 5), (9999, 6)):
        conn.execute("UPDATE entries SET seq = ? WHERE seq = ?", (to, was))


CHANGES: dict[str, tuple[Change, int]] = {
    "changed": (
        lambda c: c.execute(
            "UPDATE entries SET canonical = replace(canonical, 'wms', 'wmt') WHERE seq = 1"
        ),
        1,
    ),
    "removed": (lambda c: c.execute("DELETE FROM entries WHERE seq = 7"), 7),
    "inserted": (inserted, 5),
    "reordered": (reordered, 5),
    "column": (lambda c: c.execute("UPDATE entries SET order_id = 'other' WHERE seq = 3"), 3),
    "tail_cut": (lambda c: c.execute("DELETE FROM entries WHERE seq > 20"), 21),
    "rewritten": (lambda c: rewrite(c, 18), 15),
}


@pytest.mark.parametrize("fault", CHANGES)
def test_manipulation_is_found_and_placed(ledger: Path, fault: str) -> None:
    """Each way of changing the ledger is named by its kind and its first bad entry, exit code 1."""
    change, first = CHANGES[fault]
    assert 0 == verify("--site", ledger)[0]
    with closing(sqlite3.connect(ledger)) as conn, conn:
        change(conn)
    code, told = verify("--site", ledger)
    assert (1, fault, first) == (code, told["fault"], told["first_bad_seq"])


SPOILED = {
    "ends in NUL": "coalesce({0}, '') || char(0)",
    "ends in a blank": "coalesce({0}, '') || ' '",
    "text for null, null for text": "CASE WHEN {0} IS NULL THEN '' END",
    "bytes": "CAST(coalesce({0}, '') AS BLOB) || x'00'",
    "no UTF-8": "CAST(coalesce({0}, '') || x'ff' AS TEXT)",
    "half a surrogate": "CAST(x'eda080' AS TEXT)",
    "a number": "5",
    "a quote": "coalesce({0}, '') || '\",\"x\":\"'",
}


@pytest.mark.parametrize("spoiled", SPOILED)
def test_any_column_of_any_entry_is_held_against_its_text(ledger: Path, spoiled: str) -> None:
    """The first entry that a search would find in a false place, or not find, is named."""
    engine = sa.create_engine(f"sqlite:///{ledger}")
    tried = 0
    with engine.connect() as conn:
        for seq in range(1, size_of(conn) + 1):
            for column in (
                *("kind", "order_id", "parcel_id", "job_id", "station", "event_id", "time"),
                *("canonical", "hash"),
            ):
                value = SPOILED[spoiled].format(column)
                inside = conn.begin_nested()
                try:
                    conn.exec_driver_sql(f"UPDATE entries SET {column} = {value} WHERE seq = {seq}")
                except sa.exc.IntegrityError:  # a column that is never null
                    inside.rollback()
                    continue
                report = check_whole(conn, ledger.parent)
                inside.rollback()
                assert (report.ok, report.chain.first_bad_seq) == (False, seq), column
                tried += 1
        assert check_whole(conn, ledger.parent).ok
    engine.dispose()
    assert tried > 100


@pytest.mark.parametrize("number", ["'7th'", "x'07'", "7.5"])
def test_row_without_a_whole_number_was_put_in(ledger: Path, number: str) -> None:
    """SQLite takes any value as a number; it is told as an entry put in, without a traceback."""
    with closing(sqlite3.connect(ledger)) as conn, conn:
        conn.execute(
            f"INSERT INTO entries SELECT {number}, canonical, hash, time, kind, order_id,"
            " parcel_id, job_id, station, event_id FROM entries WHERE seq = 7"
        )
        (last,) = conn.execute("SELECT size FROM ledger_head").fetchone()
    code, told = verify("--site", ledger)
    assert (1, "inserted") == (code, told["fault"])
    assert told["first_bad_seq"] == (8 if number == "7.5" else last + 1)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            "UPDATE checkpoints SET checkpoint = '{' WHERE size = 14",
            "checkpoint of size 14 is none",
        ),
        ("DELETE FROM ledger_head", "end is gone"),
        ("UPDATE ledger_head SET \"range\" = 'zz'", "end is gone"),
    ],
)
def test_spoiled_notes_beside_the_chain_are_told(ledger: Path, change: str, words: str) -> None:
    """What is no checkpoint, and a lost note of the ledger's end, are faults with words."""
    with closing(sqlite3.connect(ledger)) as conn, conn:
        conn.execute(change)
    code, told = verify("--site", ledger)
    assert code == 1
    assert words in " ".join(told["faults"])


def test_tail_cut_with_all_its_traces_shows_against_a_checkpoint_from_elsewhere(
    ledger: Path,
) -> None:
    """Somebody takes the tail, the head, the tree and the checkpoints back: the copy tells."""
    from gateway.ledger.merkle import CompactRange, leaf_hash

    with closing(sqlite3.connect(ledger)) as conn, conn:
        conn.execute("DELETE FROM entries WHERE seq > 20")
        conn.execute("DELETE FROM checkpoints WHERE size > 20")
        conn.execute('DELETE FROM merkle_nodes WHERE ("index" + 1) << level > 20')
        tree = CompactRange()
        for (text,) in conn.execute("SELECT canonical FROM entries ORDER BY seq"):
            tree.append(leaf_hash(text))
        (last,) = conn.execute("SELECT hash FROM entries WHERE seq = 20").fetchone()
        values = (20, last.hex(), tree.serialise())
        conn.execute('UPDATE ledger_head SET size = ?, last_hash = ?, "range" = ?', values)
    assert 0 == verify("--site", ledger)[0]
    code, told = verify("--site", ledger, "--checkpoint", ledger.parent / "checkpoint-2.json")
    assert (1, "tail_cut", 21) == (code, told["fault"], told["first_bad_seq"])


def test_checkpoint_of_a_stranger_is_no_witness(ledger: Path) -> None:
    """A checkpoint that another key signed is named, and the check fails."""
    other = ledger.parent / "other-key.pem"
    other.touch(0o600)
    other.write_bytes(private_pem(new_key()))
    (ledger.parent / "room.ledger-key.pem").unlink()
    other.rename(ledger.parent / "room.ledger-key.pem")
    code, told = verify("--site", ledger)
    assert 1 == code
    assert "not the site's key" in told["faults"][0]


def test_tampered_tree_is_found(ledger: Path) -> None:
    """The stored Merkle tree must give the roots that are noted, though the chain is whole."""
    assert 0 == verify("--site", ledger, "--tree")[0]
    with closing(sqlite3.connect(ledger)) as conn, conn:
        conn.execute("UPDATE merkle_nodes SET hash = zeroblob(32) WHERE level = 3")
    code, told = verify("--site", ledger)
    assert 1 == code
    assert told["fault"] is None
    assert "does not give the root" in told["faults"][0]


def test_any_false_node_of_the_tree_is_found(ledger: Path) -> None:
    """Roots need few of the nodes, proofs any: with --tree each is held against its entries."""
    with closing(sqlite3.connect(ledger)) as conn:
        nodes = conn.execute('SELECT level, "index" FROM merkle_nodes').fetchall()
        assert len(nodes) >= 4
    for level, index in nodes:
        with closing(sqlite3.connect(ledger)) as conn, conn:
            place = f'WHERE level = {level} AND "index" = {index}'
            (good,) = conn.execute(f"SELECT hash FROM merkle_nodes {place}").fetchone()
            conn.execute(f"UPDATE merkle_nodes SET hash = zeroblob(32) {place}")
        code, told = verify("--site", ledger, "--tree")
        assert code == 1, (level, index)
        assert "Merkle tree" in told["faults"][0]
        with closing(sqlite3.connect(ledger)) as conn, conn:
            conn.execute(f"UPDATE merkle_nodes SET hash = ? {place}", (good,))
    assert 0 == verify("--site", ledger, "--tree")[0]


def test_store_that_cannot_be_read_is_no_verdict(tmp_path: Path) -> None:
    """No store, no checkpoint file, no key file: exit code 2, with words."""
    run = CliRunner()
    assert 2 == run.invoke(app, ["ledger", "verify", "--site", str(tmp_path / "no.db")]).exit_code
    words = ["ledger", "verify", "--key", str(tmp_path / "no.pem")]
    assert 2 == run.invoke(app, words).exit_code


async def test_check_runs_beside_a_writing_gateway(tmp_path: Path) -> None:
    """While orders come in, every check sees one whole state of the ledger."""
    async with running(tmp_path, station("bench")) as rig:

        async def scan_on() -> None:
            for number in range(40):
                await rig.scan("bench", f"SO-{number}")

        scanning = asyncio.create_task(scan_on())
        sizes = []
        while not scanning.done():
            run = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "gateway", "ledger", "verify", "--json", "--site", rig.db,
                stdout=asyncio.subprocess.PIPE,
            )  # fmt: skip
            said, _ = await run.communicate()
            assert 0 == run.returncode, said.decode()
            sizes.append(json.loads(said)["entries"])
        await scanning
        assert sizes == sorted(sizes)


async def test_page_checks_the_ledger_and_tells_what_is_wrong(tmp_path: Path) -> None:
    """The button does what the command does, beside the gateway's own work."""
    async with running(tmp_path, station("s1")) as rig:
        own = {"origin": str(rig.client.base_url).rstrip("/")}
        await rig.scan("s1", "A-1")
        await rig.job_in("A-1", "printed", "closed")
        checked = await rig.client.post("/ledger/verify", data={"by": "Tester"}, headers=own)
        assert checked.status_code == 200
        with closing(sqlite3.connect(rig.db, timeout=20)) as conn, conn:
            conn.execute("DROP TRIGGER entries_stay_as_they_are")
            conn.execute("UPDATE entries SET station = 's2' WHERE seq = 3")
        checked = await rig.client.post("/ledger/verify", data={"by": "Tester"}, headers=own)
        assert checked.status_code == 200
        assert "Entry 3: the column station says" in html.unescape(checked.text)
