"""What can be asked of a running gateway, what it logs, and that the ledger tells the whole way."""

import io
import json
import logging
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
import structlog
from prometheus_client.parser import text_string_to_metric_families

from gateway import logs
from schemas.ledger import EntryKind
from tests.service.gateway_rig import PERSON, Rig, running, station

ADDRESS = "Geheimgasse 77"
SECRET = {**PERSON, "name": "Zilla Geheim", "lines": [ADDRESS], "city": "Verborgen"}


@pytest.fixture
def log() -> Iterator[io.StringIO]:
    """Everything that the process logs; a line with personal data is an error."""
    stream = io.StringIO()
    root = logging.getLogger()
    before, level = list(root.handlers), root.level
    logs.configure(stream, level=logging.DEBUG, strict=True)
    yield stream
    root.handlers[:] = before
    root.setLevel(level)
    structlog.reset_defaults()


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    """One station whose bags must be scanned."""
    async with running(tmp_path, station("s1", "tcp", verify="required")) as running_rig:
        yield running_rig


async def test_whole_way_is_told_by_the_ledger(rig: Rig) -> None:
    """Scanned, decided, label, sent, verified: each step an entry, in order, in a sealed chain."""
    await rig.scan("s1", "o1")
    await rig.job_in("o1", "sent")
    await rig.verify("s1", await rig.code_of("o1"))
    told = [
        (entry["kind"], entry["data"].get("to")) for entry in (await rig.story("o1"))["entries"]
    ]
    wanted = [
        ("order.received", None), ("order.decided", None), ("job.created", None),
        ("event.accepted", None), ("job.moved", "sending"), ("job.moved", "sent"),
        ("job.moved", "verified"), ("scan.verified", None),
    ]  # fmt: skip
    assert wanted == [step for step in dict.fromkeys(told) if step in wanted]
    await rig.check_ledger()


async def test_each_state_that_a_job_has_is_a_move_in_the_ledger(rig: Rig) -> None:
    """Replaying the moves of the ledger gives the states of the store."""
    for name in ("o1", "o2", "o3"):
        await rig.scan("s1", name)
    await rig.job_in("o1", "sent")
    job = (await rig.jobs("o3"))[0]
    await rig.act(f"/v1/jobs/{job['job_id']}/cancel")
    await rig.verify("s1", await rig.code_of("o1"))
    rig.stations["s1"].seal()
    await rig.job_in("o2", "sent")
    replayed = dict.fromkeys([e.job_id for e in await rig.ledger(EntryKind.JOB_CREATED)], "queued")
    for entry in await rig.ledger(EntryKind.JOB_MOVED):
        assert replayed[entry.job_id] == entry.data["from"]
        replayed[entry.job_id] = str(entry.data["to"])
    stored = {
        job["job_id"]: job["state"] for name in ("o1", "o2", "o3") for job in await rig.jobs(name)
    }
    assert stored == replayed


async def test_parcel_says_who_verified_it_and_when(rig: Rig) -> None:
    """`GET /v1/parcels/{id}` carries every job of the parcel."""
    answer = await rig.scan("s1", "o1")
    await rig.job_in("o1", "sent")
    await rig.send("label.scanned", "s1", code=await rig.code_of("o1"), operator="Operator 7")
    parcel = (await rig.client.get(f"/v1/parcels/{answer['parcel_ids'][0]}")).json()
    assert ("Operator 7", "verified") == (parcel["verified_by"], parcel["jobs"][0]["state"])
    assert parcel["verified_at"]


async def test_health_says_alive_and_ready_says_that_the_store_writes(rig: Rig) -> None:
    """/healthz needs nothing; /readyz makes a write, and is 503 when that fails."""
    assert 200 == (await rig.client.get("/healthz")).status_code
    assert 200 == (await rig.client.get("/readyz")).status_code

    def takes_nothing(mode: str) -> None:
        connection = rig.gateway.store._writer.raw_connection()
        connection.cursor().execute(f"PRAGMA query_only={mode}")

    takes_nothing("ON")
    try:
        assert 503 == (await rig.client.get("/readyz")).status_code
        refused = await rig.post(rig.event("station.state", "s1", state="idle"))
        assert (503, 200) == (
            refused.status_code,
            (await rig.client.get("/healthz")).status_code,
        )
    finally:
        takes_nothing("OFF")


async def test_metrics_are_readable_and_count(rig: Rig) -> None:
    """The Prometheus text format, parsed by the client library's own parser."""
    await rig.scan("s1", "o1")
    await rig.job_in("o1", "sent")
    await rig.verify("s1", await rig.code_of("o1"))
    text = (await rig.client.get("/metrics")).text
    values = {
        (sample.name, *sorted(sample.labels.values())): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    assert 1 == values["bagrelay_events_total", "bagrelay.order.scanned.v1", "queued"]
    assert 1 == values["bagrelay_scans_total", "match", "s1"]
    assert 1 == values["bagrelay_delivery_seconds_count", "s1"]
    assert 0 == values["bagrelay_lane_jobs", "s1"]


async def test_lane_length_is_a_figure(rig: Rig) -> None:
    """What waits can be watched."""
    await rig.act("/v1/stations/s1/hold")
    for name in ("o1", "o2"):
        await rig.scan("s1", name)
    assert 'bagrelay_lane_jobs{station="s1"} 2.0' in (await rig.client.get("/metrics")).text


async def test_log_lines_carry_the_ids_and_no_address(log: io.StringIO, tmp_path: Path) -> None:
    """JSON lines with order, parcel, job, station and event; a whole day of work names nobody."""
    async with running(tmp_path, station("s1", "tcp", verify="required")) as rig:
        event = rig.event("order.scanned", "s1")
        await rig.scan("s1", "o1", ship_to=SECRET)
        await rig.job_in("o1", "sent")
        await rig.verify("s1", await rig.code_of("o1"))
        bad = {**event, "data": {"station": "s1", "code": "x", "order": {"ship_to": SECRET}}}
        assert 422 == (await rig.post(bad)).status_code
        await rig.scan("s1", "o2", ship_to={**SECRET, "country": "PT"}, lines=[
            {"line_id": "1", "item": {"sku": "mystery"}}])  # fmt: skip
    text = log.getvalue()
    assert not [word for word in (ADDRESS, "Zilla", "Verborgen") if word in text]
    lines = [json.loads(line) for line in text.splitlines()]
    delivered = next(line for line in lines if line["event"] == "job.delivered")
    assert {"order_id", "parcel_id", "job_id", "station", "time", "level"} <= delivered.keys()
    accepted = next(line for line in lines if line["event"] == "event.accepted")
    assert {"order_id", "event_id", "station"} <= accepted.keys()


async def test_outgoing_events_carry_no_address(rig: Rig) -> None:
    """Whoever listens to the outbox learns ids and facts, not where somebody lives."""
    await rig.scan("s1", "o1", ship_to=SECRET)
    await rig.job_in("o1", "sent")
    told = json.dumps([row["data"] for row in await rig.outgoing("job.moved")])
    assert "o1" in told
    assert ADDRESS not in told
    assert all(ADDRESS not in entry.model_dump_json() for entry in await rig.ledger())
