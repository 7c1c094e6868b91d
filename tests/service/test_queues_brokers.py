"""Events in and out over real brokers: durable before acknowledged, nothing lost, nothing doubled.

Form of the events: CloudEvents 1.0.2. Brokers are killed and started again where the law is that.
"""

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from gateway.commands.root import app
from gateway.store.tables import events, outbox
from tests.service.brokers import Brokered, broker, rabbit
from tests.service.gateway_rig import Rig, order, running, sees, station, until

__all__ = ["broker", "rabbit"]


pytestmark = pytest.mark.filterwarnings(
    # aio-pika drops a coroutine of its own when a connection is cut
    "ignore:coroutine 'Connection.close' was never awaited",
    "ignore:Exception ignored in. <coroutine object Connection.close:"
    "pytest.PytestUnraisableExceptionWarning",
)


@pytest.fixture(autouse=True)
def _patience() -> Iterator[None]:
    """A broker that was killed takes its time."""
    from tests.service import gateway_rig

    before, gateway_rig.PATIENCE_S = gateway_rig.PATIENCE_S, 60.0
    yield
    gateway_rig.PATIENCE_S = before


def _bytes(event: object) -> bytes:
    return json.dumps(event).encode()


async def _taken(rig: Rig) -> int:
    return await rig.gateway.store.read(
        lambda conn: conn.execute(
            sa.select(sa.func.count()).where(events.c.source == "/test")
        ).scalar_one()
    )


async def _printed(rig: Rig, order_id: str) -> None:
    """Wait for the order to be known and its label to be out."""

    async def known() -> bool:
        return (await rig.client.get(f"/v1/orders/{order_id}")).status_code == 200

    await until(known, f"order {order_id} to be known")
    await rig.job_in(order_id, "printed", "closed")


async def _connected(rig: Rig) -> None:
    async def look() -> bool:
        view = (await rig.client.get("/v1/queues")).json()
        return all(way["connected"] for way in view["ways_in"])

    await until(look, "the queue to be connected")


async def _made_the_day_before(broker: Brokered, folder: Path) -> None:
    """Let the queues be made and the broker be stopped in order once.

    A quorum queue that was declared moments before a power cut may not come back: that is the
    broker's matter, and no law of ours.
    """
    (warm := folder / "warm").mkdir()
    async with running(warm, station("s1"), queue=[broker.section]) as rig:
        await _connected(rig)
        await rig.scan("s1", "warm")
        await _printed(rig, "warm")
        await _all_told(rig)
        if broker.kind == "rabbitmq":
            async with broker.reader("send_to") as reader:
                await reader.next()
    await asyncio.to_thread(broker.server.stop)
    await asyncio.to_thread(broker.server.start)


async def _all_told(rig: Rig) -> None:
    async def told() -> bool:
        target = (await rig.client.get("/v1/queues")).json()["targets"][0]
        return bool(target["waiting"] == 0 and target["sent_to"] > 0)

    await until(told, "the outbox to be told")


async def _dead(rig: Rig) -> list[dict[str, Any]]:
    told: list[dict[str, Any]] = (await rig.client.get("/v1/dead-letters")).json()
    return told


async def test_event_is_taken_and_what_follows_is_told(broker: Brokered, tmp_path: Path) -> None:
    """An order that comes by a broker is printed; the decision goes out as a CloudEvent there."""
    async with running(tmp_path, station("s1"), queue=[broker.section]) as rig:
        await _connected(rig)
        async with broker.reader("send_to") as reader:
            await broker.put(_bytes(rig.event("order.scanned", "s1", code="o1", order=order("o1"))))
            await _printed(rig, "o1")
            seen = [json.loads((await reader.next()).body) for _ in range(2)]
    assert ["bagrelay.order.decided.v1", "bagrelay.job.moved.v1"] == [one["type"] for one in seen]
    assert {("1.0", "/bagrelay/rig", "o1")} == {
        (one["specversion"], one["source"], one["subject"]) for one in seen
    }


async def test_redelivered_event_does_nothing_again(broker: Brokered, tmp_path: Path) -> None:
    """The same source and id, published twice, is one order and one label."""
    async with running(tmp_path, station("s1"), queue=[broker.section]) as rig:
        await _connected(rig)
        event = _bytes(rig.event("order.scanned", "s1", code="o1", order=order("o1")))
        last = _bytes(rig.event("order.scanned", "s1", code="o2", order=order("o2")))
        await broker.put(event, event, last)
        await _printed(rig, "o2")
        assert (2, 2) == (await _taken(rig), rig.stations["s1"].printed_count)
        assert [] == await _dead(rig)


async def test_poison_is_dead_with_its_reason_and_good_ones_pass(
    broker: Brokered, tmp_path: Path
) -> None:
    """What can never be taken goes to the dead address with its reason, stays listable, and holds
    up nothing."""
    async with running(tmp_path, station("s1"), queue=[broker.section]) as rig:
        await _connected(rig)
        async with broker.reader("dead") as reader:
            await broker.put(
                b"not json",
                _bytes(rig.event("bag.advanced", "nowhere")),
                _bytes(rig.event("bag.advanced", "s1")),
            )
            marks = {"bagrelay-problem", "bagrelay-reason"}
            seen = [await reader.next() for _ in range(2)]
        assert all(marks <= one.headers.keys() for one in seen)
        assert {b"not json"} < {one.body for one in seen}
        listed = {one["problem"].rpartition(":")[2]: one for one in await _dead(rig)}
        assert {"malformed", "unknown-station"} == listed.keys()
        assert "no station 'nowhere'" in listed["unknown-station"]["reason"]
        shown = await rig.client.get(f"/v1/dead-letters/{listed['malformed']['id']}")
        assert "not json" == shown.json()["body"]
        await until(lambda: _count(rig, 1), "the good one to be taken")


async def _count(rig: Rig, wanted: int) -> bool:
    return await _taken(rig) >= wanted


async def test_full_lane_holds_its_own_and_lets_others_by(broker: Brokered, tmp_path: Path) -> None:
    """A lane that is full puts its messages off, never among the dead; the next station goes on."""
    stuck = station("stuck", max_lane=1)
    section = {**broker.section, "prefetch": 8}
    async with running(tmp_path, stuck, station("s2"), queue=[section]) as rig:
        await _connected(rig)
        answer = await rig.act("/v1/stations/stuck/hold")
        assert answer.status_code < 300, answer.text
        many = [
            _bytes(rig.event("order.scanned", "stuck", code=f"a{n}", order=order(f"a{n}")))
            for n in range(12)
        ]
        other = _bytes(rig.event("order.scanned", "s2", code="b1", order=order("b1")))
        await broker.put(*many, other)
        await _printed(rig, "b1")
        assert 2 == await _taken(rig)
        assert (await rig.act("/v1/stations/stuck/release")).status_code < 300
        await until(lambda: _count(rig, 13), "every order of the freed lane")
        machine = rig.stations["stuck"]
        await sees(lambda: machine.printed_count >= 12, "a label for each of them")
        assert ([], 12) == (await _dead(rig), machine.printed_count)


async def test_broker_that_is_away_at_start_is_found_later(
    broker: Brokered, tmp_path: Path
) -> None:
    """The gateway starts and works without its broker; what it had to tell is told afterwards."""
    (warm := tmp_path / "warm").mkdir()
    async with running(warm, station("s1"), queue=[broker.section]) as rig:
        await _connected(rig)  # makes the queues, as on the day before
    await asyncio.to_thread(broker.server.stop)
    async with running(tmp_path, station("s1"), queue=[broker.section]) as rig:
        await rig.scan("s1", "o1")
        await _printed(rig, "o1")
        view = (await rig.client.get("/v1/queues")).json()
        assert not view["ways_in"][0]["connected"]
        assert view["ways_in"][0]["text"]
        await asyncio.to_thread(broker.server.start)
        await _connected(rig)
        await broker.put(_bytes(rig.event("order.scanned", "s1", code="o2", order=order("o2"))))
        await _printed(rig, "o2")
        await _all_told(rig)


@pytest.mark.slow
async def test_broker_killed_amid_loses_nothing(broker: Brokered, tmp_path: Path) -> None:
    """Power cut at the broker amid the flow: every event is taken once, every own event arrives.

    The MQTT broker here writes its disk when it is ended in order, so it is; the others are
    killed.
    """
    await _made_the_day_before(broker, tmp_path)
    stations = [station(f"s{n}", max_lane=100) for n in range(4)]
    async with running(tmp_path, *stations, queue=[broker.section]) as rig:
        await _connected(rig)
        many = [
            _bytes(rig.event("order.scanned", f"s{n % 4}", code=f"o{n}", order=order(f"o{n}")))
            for n in range(60)
        ]
        await broker.put(*many[:40])
        await until(lambda: _count(rig, 5), "the flow to begin")
        end = broker.server.stop if broker.kind == "mqtt" else broker.server.kill
        await asyncio.to_thread(end)
        await rig.scan("s1", "amid")
        await asyncio.to_thread(broker.server.start)
        await _connected(rig)
        await broker.put(*many[40:])
        await until(lambda: _count(rig, 61), "every event to be taken")
        for n in range(60):
            await _printed(rig, f"o{n}")
        printed = sum(machine.printed_count for machine in rig.stations.values())
        assert (61, 61, []) == (await _taken(rig), printed, await _dead(rig))
        await _all_told(rig)
        await rig.check_ledger()
        figures = (await rig.client.get("/metrics")).text
        way = f'{{way="queue {broker.section["id"]}"}}'
        assert f"bagrelay_way_in_connected{way} 1.0" in figures
        assert f"bagrelay_way_in_refused_total{way} 0.0" in figures
        assert f"bagrelay_way_in_reconnects_total{way} 0.0" not in figures
        assert f"bagrelay_way_in_reconnects_total{way} " in figures


async def test_own_events_arrive_in_order_with_one_id_each(
    broker: Brokered, tmp_path: Path
) -> None:
    """Through a restart of the broker: every own event arrives, in order, a re-send by the same
    id."""
    if broker.kind == "mqtt":
        pytest.skip("a subscriber without a session hears nothing of what came while it was away")
    await _made_the_day_before(broker, tmp_path)
    async with running(tmp_path, station("s1"), queue=[broker.section]) as rig:
        await _connected(rig)
        await rig.scan("s1", "o1")
        await _printed(rig, "o1")
        await _all_told(rig)
        await asyncio.to_thread(broker.server.kill)
        await rig.scan("s1", "o2")
        await _printed(rig, "o2")
        await asyncio.to_thread(broker.server.start)
        await _all_told(rig)
        written = await rig.gateway.store.read(
            lambda conn: list(conn.execute(sa.select(outbox.c.id).order_by(outbox.c.id)).scalars())
        )
        ids = await _all_kept(broker, last=written[-1], orders={"o1", "o2"})
        numbers = [int(one.partition("-")[0]) for one in dict.fromkeys(ids)]
        assert written == numbers[-len(written) :]


async def _all_kept(broker: Brokered, *, last: int, orders: set[str]) -> list[str]:
    """Ids of the own events about these orders that the broker keeps, up to the last number."""
    ids: list[str] = []

    def keep(body: bytes) -> bool:
        event = json.loads(body)
        if event.get("subject") in orders:
            ids.append(event["id"])
        return bool(ids) and ids[-1].startswith(f"{last}-")

    if broker.kind == "rabbitmq":
        async with broker.reader("send_to") as reader:
            while not keep((await reader.next()).body):
                pass
        return ids
    import nats

    client = await nats.connect(broker.url)
    try:
        pull = await client.jetstream().pull_subscribe(broker.section["send_to"])
        while True:
            for message in await pull.fetch(1, timeout=30):
                await message.ack()
                if keep(message.data):
                    return ids
    finally:
        await client.close()


async def test_dead_letter_is_replayed_once_its_time_has_come(
    broker: Brokered, tmp_path: Path
) -> None:
    """A pull of a bag that wasn't there is dead; replayed after there is one it goes through."""
    async with running(tmp_path, station("s1", verify="required"), queue=[broker.section]) as rig:
        await _connected(rig)
        await broker.put(_bytes(rig.event("bag.pulled", "s1", position=0, reason="torn")))
        await until(lambda: _dead(rig), "the pull to be dead")
        [letter] = await _dead(rig)
        path = f"/v1/dead-letters/{letter['id']}/replay"
        again = await rig.client.post(path)
        assert 409 == again.status_code, again.text
        await rig.scan("s1", "o1")
        await _printed(rig, "o1")
        done = await rig.client.post(path)
        assert (200, True) == (done.status_code, "recorded" in done.json()["text"])
        await rig.job_in("o1", "void")
        [letter] = await _dead(rig)
        assert letter["replayed"] is not None
        assert 0 == (await rig.client.get("/v1/queues")).json()["dead_letters"]


async def test_command_lists_shows_and_replays(broker: Brokered, tmp_path: Path) -> None:
    """`bagrelay queue` beside the running gateway: list, show, replay, send again."""
    if broker.kind != "nats":
        pytest.skip("the command knows no brokers: once is enough")
    async with running(tmp_path, station("s1"), queue=[broker.section]) as rig:
        await _connected(rig)
        await broker.put(b"not json")
        await rig.scan("s1", "o1")
        await _printed(rig, "o1")
        await until(lambda: _dead(rig), "the poison to be dead")
        gateway = ["--gateway", str(rig.client.base_url), "--site", str(rig.db)]

        async def run(*words: str) -> tuple[int, str]:
            result = await asyncio.to_thread(CliRunner().invoke, app, ["queue", *words])
            return result.exit_code, result.output

        code, text = await run("list", "--site", str(rig.db))
        assert (1, True) == (code, "the body isn't json" in text.lower()), text
        assert f"to queue {broker.section['id']}: sent to" in text
        code, text = await run("show", "1", "--site", str(rig.db))
        assert (0, True) == (code, text.endswith("not json\n"))
        code, text = await run("replay", "1", *gateway)
        assert (1, True) == (code, "isn't JSON" in text), text
        way = f"to queue {broker.section['id']}"
        code, text = await run("replay", "--target", way, "--from", "1", *gateway)
        assert (0, True) == (code, "once more" in text), text
        code, text = await run("show", "99", "--site", str(rig.db))
        assert (1, "There is no dead letter 99.\n") == (code, text)
