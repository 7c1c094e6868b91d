"""A drop folder: files are claimed by renaming, each is answered, none is lost or taken twice."""

import asyncio
import json
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from gateway.errors import NotStored
from gateway.intake import folder as folder_module
from gateway.store.tables import events
from tests.service.gateway_rig import Rig, order, running, station, until


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    """The folder that senders write to."""
    made = tmp_path / "drop"
    made.mkdir()
    return made


@asynccontextmanager
async def _room(folder: Path, drop: Path, **more: Any) -> AsyncIterator[Rig]:
    section = {"path": str(drop), "every_s": 0.02}
    async with running(folder, station("s1", **more), folder_in=section) as rig:
        yield rig


def _put(drop: Path, name: str, content: object) -> None:
    """As a sender should: write under another name, then rename."""
    text = content if isinstance(content, str) else json.dumps(content)
    draft = drop / f"{name}.tmp"
    draft.write_text(text)
    draft.rename(drop / name)


async def _answer(drop: Path, name: str) -> list[dict[str, Any]]:
    async def there() -> bool:
        return (drop / "answers" / name).exists()

    await until(there, f"an answer to {name}")
    told: list[dict[str, Any]] = json.loads((drop / "answers" / name).read_text())
    return told


async def _refused(drop: Path, name: str) -> list[dict[str, Any]]:
    async def there() -> bool:
        return (drop / "refused" / name).exists()

    await until(there, f"{name} to be refused")
    told: list[dict[str, Any]] = json.loads((drop / "refused" / f"{name}.why.json").read_text())
    return told


def _scan(rig: Rig, order_id: str) -> dict[str, Any]:
    return rig.event("order.scanned", "s1", code=order_id, order=order(order_id))


async def test_file_is_taken_answered_and_gone(tmp_path: Path, drop: Path) -> None:
    """One event in a file: the order is printed, the answer says so, nothing is left behind."""
    async with _room(tmp_path, drop) as rig:
        _put(drop, "a.json", _scan(rig, "o1"))
        [told] = await _answer(drop, "a.json")
        assert ("queued", "o1", False) == (told["outcome"], told["order_id"], told["repeated"])
        await rig.job_in("o1", "printed", "closed")

        async def gone() -> bool:
            return not list((drop / "taken").iterdir())

        await until(gone, "the file to go")
        assert {"taken", "answers", "refused"} == {one.name for one in drop.iterdir()}


async def test_lists_and_lines_are_answered_one_by_one(tmp_path: Path, drop: Path) -> None:
    """A list in .json and lines in .jsonl: an answer for each; a bad one among them is told, and
    the file is kept."""
    async with _room(tmp_path, drop) as rig:
        _put(drop, "list.json", [_scan(rig, "o1"), _scan(rig, "o2")])
        lines = [_scan(rig, "o3"), rig.event("bag.advanced", "nowhere"), _scan(rig, "o4")]
        _put(drop, "lines.jsonl", "\n".join(json.dumps(line) for line in lines))
        assert ["o1", "o2"] == [one["order_id"] for one in await _answer(drop, "list.json")]
        told = await _answer(drop, "lines.jsonl.json")
        assert ["o3", None, "o4"] == [one.get("order_id") for one in told]
        [why] = await _refused(drop, "lines.jsonl")
        assert "unknown-station" in why["problem"]
        assert lines[1]["id"] == why["id"]
        figures = (await rig.client.get("/metrics")).text
        for name, count in (("received", 4.0), ("refused", 1.0), ("reconnects", 0.0)):
            assert f'bagrelay_way_in_{name}_total{{way="folder drop"}} {count}' in figures


async def test_the_same_file_again_does_nothing_again(tmp_path: Path, drop: Path) -> None:
    """Source and id tell, whatever the file is called."""
    async with _room(tmp_path, drop) as rig:
        event = _scan(rig, "o1")
        _put(drop, "a.json", event)
        await _answer(drop, "a.json")
        _put(drop, "b.json", event)
        [told] = await _answer(drop, "b.json")
        assert told["repeated"]


async def test_nonsense_is_refused_with_its_reason(
    tmp_path: Path, drop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What isn't JSON, is too deep or is no event stands among the refused ones with its reason."""
    monkeypatch.setattr(folder_module, "STILL_WRITTEN_S", 0.0)
    async with _room(tmp_path, drop) as rig:
        _put(drop, "a.json", "{half")
        _put(drop, "b.json", "[" * 40 + "]" * 40)
        _put(drop, "c.json", {"specversion": "1.0"})
        for name, problem in (("a", "malformed"), ("b", "malformed"), ("c", "invalid")):
            [why] = await _refused(drop, f"{name}.json")
            assert why["problem"].endswith(problem), why
        _put(drop, "d.json", _scan(rig, "o1"))
        await _answer(drop, "d.json")


async def test_file_that_is_still_written_is_waited_for(tmp_path: Path, drop: Path) -> None:
    """A sender that doesn't rename may be half way: the file is taken once it reads well."""
    async with _room(tmp_path, drop) as rig:
        text = json.dumps(_scan(rig, "o1"))
        path = drop / "a.json"
        path.write_text(text[:50])

        async def looked_at() -> bool:
            return not path.exists() or (drop / "taken").is_dir()

        await until(looked_at, "a look at the folder")
        async with asyncio.timeout(10):
            while True:  # put back between two looks: write the whole of it where it stands
                try:
                    with path.open("r+") as stream:
                        stream.write(text)
                    break
                except FileNotFoundError:
                    await asyncio.sleep(0)
        [told] = await _answer(drop, "a.json")
        assert "o1" == told["order_id"]


async def test_links_and_odd_files_are_left_alone(tmp_path: Path, drop: Path) -> None:
    """A link could show any file of the machine: not followed. Hidden and other files stay."""
    secret = tmp_path / "secret.json"
    secret.write_text("{}")
    (drop / "link.json").symlink_to(secret)
    (drop / ".hidden.json").write_text("{}")
    (drop / "readme.txt").write_text("hello")
    os.mkfifo(drop / "pipe.json")
    async with _room(tmp_path, drop) as rig:
        _put(drop, "z.json", _scan(rig, "o1"))
        await _answer(drop, "z.json")
        assert {"link.json", ".hidden.json", "readme.txt", "pipe.json"} < {
            one.name for one in drop.iterdir()
        }
        assert "{}" == secret.read_text()


async def test_claimed_file_is_taken_up_after_a_crash(tmp_path: Path, drop: Path) -> None:
    """What stood among the taken files when the power went is worked off at the next start."""
    (drop / "taken").mkdir()
    event = {
        "specversion": "1.0", "id": "1", "source": "/wms", "type": "bagrelay.order.scanned.v1",
        "data": {"station": "s1", "code": "o1", "order": order("o1")},
    }  # fmt: skip
    (drop / "taken" / "a.json").write_text(json.dumps(event))
    async with _room(tmp_path, drop):
        [told] = await _answer(drop, "a.json")
        assert "o1" == told["order_id"]


async def test_store_that_is_away_keeps_the_file(
    tmp_path: Path, drop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While nothing can be stored the file stays claimed, unanswered; afterwards it is taken."""
    async with _room(tmp_path, drop) as rig:
        real = rig.gateway.intake.accept

        async def away(*_: object, **__: object) -> None:
            raise NotStored("away", retry_after_s=1)

        monkeypatch.setattr(rig.gateway.intake, "accept", away)
        _put(drop, "a.json", _scan(rig, "o1"))
        folder = rig.gateway.ways.folder
        assert folder is not None

        async def waits() -> bool:
            return "away" in folder.view().text

        await until(waits, "the wait")
        assert (drop / "taken" / "a.json").exists()
        assert not (drop / "answers" / "a.json").exists()
        monkeypatch.setattr(rig.gateway.intake, "accept", real)
        [told] = await _answer(drop, "a.json")
        assert "o1" == told["order_id"]


async def test_two_gateways_on_one_folder_take_each_file_once(tmp_path: Path, drop: Path) -> None:
    """Renaming is the claim: of two that look, one gets the file."""
    one_place, other_place = tmp_path / "one", tmp_path / "other"
    one_place.mkdir()
    other_place.mkdir()
    async with _room(one_place, drop) as one, _room(other_place, drop) as other:
        for number in range(20):
            event = one.event("order.scanned", "s1", code=f"o{number}", order=order(f"o{number}"))
            _put(drop, f"{number}.json", event)
        for number in range(20):
            await _answer(drop, f"{number}.json")
        taken = [
            await rig.gateway.store.read(
                lambda conn: conn.execute(
                    sa.select(sa.func.count()).where(events.c.source == "/test")
                ).scalar_one()
            )
            for rig in (one, other)
        ]
        assert 20 == sum(taken)


async def test_folder_that_is_missing_is_told_and_found_later(tmp_path: Path, drop: Path) -> None:
    """A share that isn't mounted keeps nothing else from working, and is taken up when it is."""
    drop.rmdir()
    (tmp_path / "drop").write_text("no folder")
    async with _room(tmp_path, drop) as rig:

        async def told() -> bool:
            view = (await rig.client.get("/v1/queues")).json()
            return not view["ways_in"][0]["connected"]

        await until(told, "the folder to be told missing")
        await rig.scan("s1", "o1")
        drop.unlink()
        drop.mkdir()
        _put(drop, "a.json", _scan(rig, "o2"))
        await _answer(drop, "a.json")
