"""A running gateway signs its ledger, hands checkpoints to witnesses, and proves what it did."""

import asyncio
import json
import stat
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from gateway_rig import PERSON, Rig, running, station, until
from typer.testing import CliRunner, Result

from gateway.commands.root import app
from gateway.ledger.checkpoint import BadKey, public_from_pem
from gateway.ledger.evidence_check import check_file
from gateway.ledger.keys import key_of
from gateway.ledger.proof import check_proof
from gateway.ledger.witness import read_file


def command(*words: str | Path) -> Result:
    """Run `bagrelay` with these words."""
    return CliRunner().invoke(app, [str(word) for word in words])


def public_key(rig: Rig) -> Ed25519PublicKey:
    """The site's public key, as the command gives it out."""
    told = command("ledger", "key", "--site", rig.db)
    assert 0 == told.exit_code, told.output
    return public_from_pem(told.stdout.encode())


async def finished(rig: Rig, *orders: str) -> None:
    """Scan the orders and wait until each has its label."""
    for order_id in orders:
        await rig.scan("bench", order_id)
        await rig.job_in(order_id, "printed", "closed")


async def get(rig: Rig, path: str) -> Any:
    """What the gateway answers, as JSON."""
    answer = await rig.client.get(path)
    assert 200 == answer.status_code, answer.text
    return answer.json()


async def checkpoints(rig: Rig) -> list[dict[str, Any]]:
    """The checkpoints that the gateway keeps."""
    found: list[dict[str, Any]] = await get(rig, "/v1/ledger/checkpoints")
    return found


async def test_enough_entries_are_signed_and_witnessed(tmp_path: Path) -> None:
    """After so many entries a checkpoint is signed, kept, and copied to the witness file."""
    witness = tmp_path / "elsewhere" / "witness.jsonl"
    ledger = {"checkpoint_every_entries": 5, "witness_file": str(witness)}
    async with running(tmp_path, station("bench"), ledger=ledger) as rig:
        await finished(rig, "SO-1")
        kept = await until(lambda: checkpoints(rig), "a checkpoint")
        await until(lambda: asyncio.to_thread(witness.exists), "the witness file")
        key = public_key(rig)
        copied = await asyncio.to_thread(read_file, witness)
        assert kept[0] == copied[0].model_dump(mode="json")
        assert (
            key.public_bytes_raw()
            == key_of(tmp_path / "rig.ledger-key.pem").public_key().public_bytes_raw()
        )
        head = await get(rig, "/v1/ledger/head")
        assert kept[0]["public_key"] == head["public_key"]


async def test_stop_signs_what_came_last(tmp_path: Path) -> None:
    """After a clean stop a checkpoint covers all but the entry that tells of the checkpoint."""
    async with running(tmp_path, station("bench")) as rig:
        await finished(rig, "SO-1")
        assert [] == await checkpoints(rig)
        await rig.stop_gateway()
        await rig.start_gateway()
        told = await rig.ledger()
        (signed,) = await checkpoints(rig)
        assert told[signed["size"] - 1].hash == signed["last_hash"]
        assert "checkpoint" == told[signed["size"]].kind
        assert "gateway.started" == told[signed["size"] + 1].kind


async def test_idle_ledger_is_not_signed_again(tmp_path: Path) -> None:
    """Asked again with nothing new, the same checkpoint is the answer: no chain of signatures."""
    async with running(tmp_path, station("bench")) as rig:
        first = await rig.gateway.sealer.checkpoint()
        second = await rig.gateway.sealer.checkpoint()
        assert first == second
        assert 1 == len(await checkpoints(rig))


async def test_witness_url_that_was_down_gets_all_checkpoints(tmp_path: Path) -> None:
    """A witness that refuses at first is sent every checkpoint, in order, once it takes them."""
    taken: list[dict[str, Any]] = []
    refuse = asyncio.Event()
    refuse.set()
    refused = asyncio.Event()

    async def witness(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = await reader.readuntil(b"\r\n\r\n")
        length = next(
            int(line.split(b":")[1])
            for line in head.split(b"\r\n")
            if b"content-length" in line.lower()
        )
        body = await reader.readexactly(length)
        if refuse.is_set():
            refused.set()
            writer.write(b"HTTP/1.1 503 no\r\ncontent-length: 0\r\nconnection: close\r\n\r\n")
        else:
            taken.append(json.loads(body))
            writer.write(b"HTTP/1.1 200 ok\r\ncontent-length: 0\r\nconnection: close\r\n\r\n")
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(witness, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    ledger = {"checkpoint_every_entries": 3, "witness_url": f"http://127.0.0.1:{port}/"}
    async with server:
        async with running(tmp_path, station("bench"), ledger=ledger) as rig:
            await finished(rig, "SO-1")
            await asyncio.wait_for(refused.wait(), 20)
            refuse.clear()
            await finished(rig, "SO-2", "SO-3")
        kept = read_all_kept(rig)
    assert 2 <= len(kept)
    assert kept == [one["size"] for one in taken]


def read_all_kept(rig: Rig) -> list[int]:
    """Sizes of the checkpoints in the store of a stopped gateway."""
    import sqlite3
    from contextlib import closing

    with closing(sqlite3.connect(rig.db)) as conn:
        return [size for (size,) in conn.execute("SELECT size FROM checkpoints ORDER BY size")]


async def test_key_is_its_owners_alone(tmp_path: Path) -> None:
    """The key is made for its owner's eyes; one that others may read is refused."""
    async with running(tmp_path, station("bench")):
        path = tmp_path / "rig.ledger-key.pem"
        assert 0o600 == stat.S_IMODE(path.stat().st_mode)
    path.chmod(0o644)
    with pytest.raises(BadKey, match="chmod 600"):
        key_of(path)


async def test_order_proof_holds_without_the_store(tmp_path: Path) -> None:
    """An order's proof, also of one with slashes in its id, is checked by key and file."""
    async with running(tmp_path, station("bench")) as rig:
        await finished(rig, "SO/1/a", "SO-2")
        for order_id in ("SO/1/a", "SO-2"):
            answer = await rig.client.get(f"/v1/orders/{order_id}/proof")
            report = check_proof(answer.content, public_key(rig))
            assert report.ok, report.faults
            entries = [e for e in await rig.ledger() if e.order_id == order_id]
            assert len(entries) == len(report.proved)
        assert "SO/1/a" == (await rig.story("SO/1/a"))["order_id"]
        assert 404 == (await rig.client.get("/v1/orders/none/proof")).status_code


async def test_growth_is_proved_between_checkpoints(tmp_path: Path) -> None:
    """Two checkpoints of one ledger: the later begins with the earlier, and a file says so."""
    async with running(tmp_path, station("bench")) as rig:
        await finished(rig, "SO-1")
        first = await rig.gateway.sealer.checkpoint()
        await finished(rig, "SO-2")
        second = await rig.gateway.sealer.checkpoint()
        assert first is not None
        assert second is not None
        sizes = f"earlier={first.size}&later={second.size}"
        answer = await rig.client.get(f"/v1/ledger/growth?{sizes}")
        assert check_proof(answer.content, public_key(rig)).ok
        by_command = command("ledger", "prove-growth", first.size, second.size, "--site", rig.db)
        assert answer.json() == json.loads(by_command.stdout)
        assert 1 == command("ledger", "prove-growth", 2, second.size, "--site", rig.db).exit_code


async def test_evidence_shows_and_proves_and_blacks_out(tmp_path: Path) -> None:
    """A parcel's evidence is proved by its own file; blacked out it names nobody, also as paper."""
    async with running(tmp_path, station("bench", verify="required")) as rig:
        await rig.scan("bench", "SO-1")
        job = await rig.job_in("SO-1", "printed")
        await rig.verify("bench", await rig.code_of("SO-1"))
        await rig.job_in("SO-1", "verified")
        path = f"/v1/parcels/{job['parcel_id']}/evidence"
        whole = (await rig.client.get(f"{path}.json")).text
        assert PERSON["name"] in whole
        report = check_file(whole, public_key(rig))
        assert report.ok, report.faults
        assert json.loads(whole)["readings"][0]["verdict"] == "match"
        black = (await rig.client.get(f"{path}.json?black_out=true")).text
        assert check_file(black, public_key(rig)).ok
        for word in (PERSON["name"], PERSON["city"], *PERSON["lines"]):
            assert str(word) not in black
        paper = await rig.client.get(f"{path}.pdf?black_out=true")
        assert paper.content.startswith(b"%PDF")
        assert 404 == (await rig.client.get("/v1/parcels/none/evidence.json")).status_code


async def test_epcis_pages_hold_every_event_once(tmp_path: Path) -> None:
    """Following the links gives each event once, however small the pages; the command gives all."""
    async with running(tmp_path, station("bench")) as rig:
        await finished(rig, "SO-1", "SO-2", "SO-3")
        whole = await get(rig, "/v1/epcis/events?limit=1000")
        expected = events_in(whole)
        found: list[str] = []
        address: str | None = "/v1/epcis/events?limit=2"
        while address:
            answer = await rig.client.get(address)
            found += events_in(answer.json())
            address = answer.links.get("next", {}).get("url")
        assert expected == found
        assert len(found) == len(set(found))
        told = json.loads(command("ledger", "epcis", "--site", rig.db).stdout)
        assert sorted(expected) == sorted(e["eventID"] for e in told["epcisBody"]["eventList"])


def events_in(document: dict[str, Any]) -> list[str]:
    """Ids of the events that a query gave."""
    return [
        event["eventID"]
        for event in document["epcisBody"]["queryResults"]["resultsBody"]["eventList"]
    ]


async def test_day_is_reported_in_every_form(tmp_path: Path) -> None:
    """The day's report counts the labels that left, and tells how much of a bag holds no goods."""
    async with running(tmp_path, station("bench")) as rig:
        await finished(rig, "SO-1", "SO-2")
        table = await rig.client.get("/v1/reports/daily?form=jsonl")
        figures = {
            (row["of"], row["figure"]): row["value"]
            for row in map(json.loads, table.text.splitlines())
        }
        assert 2 == figures["site", "bags"]
        assert figures["site", "mean_void_share"] is not None
        assert "<!doctype html>" in (await rig.client.get("/v1/reports/daily")).text
        assert (await rig.client.get("/v1/reports/daily?form=pdf")).content.startswith(b"%PDF")
        by_command = command("report", "--site", rig.db, "--format", "jsonl")
        assert 0 == by_command.exit_code, by_command.output


async def test_entries_are_read_in_pages(tmp_path: Path) -> None:
    """Pages of entries, one after the other, are the ledger."""
    async with running(tmp_path, station("bench")) as rig:
        await finished(rig, "SO-1")
        size = (await get(rig, "/v1/ledger/head"))["size"]
        seqs: list[int] = []
        while page := await get(rig, f"/v1/ledger/entries?after={len(seqs)}&limit=4"):
            seqs += [entry["seq"] for entry in page]
        assert list(range(1, size + 1)) == seqs
