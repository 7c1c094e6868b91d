"""Each limit of the listener by attack: over real sockets, as an attacker would."""

import asyncio
import gzip
import json
from base64 import b64encode
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from gateway.clock import ManualClock
from gateway.label.marks import MAX_BYTES
from gateway.limits import listener
from schemas.access import AccessRole
from tests.service.access_rig import STRUCTURED, Closed, closed, event
from tests.service.gateway_rig import order

KEYED_ROUTES = ("/v1/events", "/v1/fit", "/v1/stations/s1/hold", "/v1/jobs/x/settle", "/sign-in")


async def _raw(gateway: Closed, *pieces: bytes) -> bytes:
    """Send bytes and read until the listener closes."""
    reader, writer = await asyncio.open_connection(gateway.host, gateway.port)
    with suppress(ConnectionError):
        for piece in pieces:
            writer.write(piece)
            await writer.drain()
    with suppress(ConnectionError):
        told = await reader.read()
        writer.close()
        return told
    return b""


def _head(path: str, key: str, **headers: str) -> bytes:
    lines = [f"POST {path} HTTP/1.1", "Host: x", f"Authorization: Bearer {key}"]
    lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
    return ("\r\n".join(lines) + "\r\n\r\n").encode()


@pytest.mark.parametrize("path", KEYED_ROUTES)
async def test_huge_body_is_refused_on_every_route(tmp_path: Path, path: str) -> None:
    """By its stated length before a byte of it was read, and by count where none is stated."""
    http = {"max_body_bytes": 2000}
    async with closed(tmp_path, http=http) as gateway:
        key = await gateway.key(AccessRole.SUPERVISOR)
        stated = await _raw(
            gateway, _head(path, key, Content_Length="9000000000", Connection="close")
        )
        chunk = b"3e8\r\n" + b"x" * 1000 + b"\r\n"
        kind = "application/x-www-form-urlencoded" if path == "/sign-in" else "application/json"
        endless = _head(
            path, key, Transfer_Encoding="chunked", Connection="close",
            Origin="http://x", Content_Type=kind,
        )  # fmt: skip
        counted = await _raw(gateway, endless, *[chunk] * 3)
    assert b" 413 " in stated.split(b"\r\n")[0]
    assert b" 413 " in counted.split(b"\r\n")[0]


async def test_body_that_never_ends_is_not_taken_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Chunk after chunk: answered 413 at the limit, and the connection is closed soon after."""
    monkeypatch.setattr(listener, "LINGER_S", 0.2)
    async with closed(tmp_path, http={"max_body_bytes": 2000}) as gateway:
        key = await gateway.key(AccessRole.SENDER)
        reader, writer = await asyncio.open_connection(gateway.host, gateway.port)
        writer.write(_head("/v1/events", key, Transfer_Encoding="chunked"))
        answer = b""
        with suppress(ConnectionError):
            while not reader.at_eof():
                writer.write(b"3e8\r\n" + b"x" * 1000 + b"\r\n")
                await writer.drain()
                with suppress(TimeoutError):
                    async with asyncio.timeout(0.01):
                        answer += await reader.read(1000)
        writer.close()
    assert b" 413 " in answer.split(b"\r\n")[0]


async def _until_cut(reader: asyncio.StreamReader) -> bytes:
    with suppress(ConnectionError):
        return await reader.read()
    return b""


async def test_head_that_comes_a_byte_at_a_time_is_cut(tmp_path: Path) -> None:
    """Slow heads are answered 408 and cut, however alive they look; others go on meanwhile."""
    http = {"limits": {"head_within_s": 0.3}}
    async with closed(tmp_path, http=http) as gateway:

        async def drip() -> bytes:
            reader, writer = await asyncio.open_connection(gateway.host, gateway.port)
            answer = asyncio.create_task(_until_cut(reader))
            for byte in b"GET /healthz HTTP/1.1\r\n" + b"X-A: b\r\n" * 10_000:
                if answer.done():
                    break
                writer.write(bytes([byte]))
                await asyncio.sleep(0.01)
            told = await answer
            writer.close()
            return told

        slow = [asyncio.create_task(drip()) for _ in range(20)]
        async with gateway.client() as client:
            meanwhile = (await client.get("/healthz")).status_code
        answers = await asyncio.gather(*slow)
    assert 200 == meanwhile
    # a byte that was on its way when the listener closed makes the kernel drop the answer
    told = {answer.split(b"\r\n")[0] for answer in answers}
    assert told <= {b"HTTP/1.1 408 Request Timeout", b""}


async def test_connection_that_says_nothing_is_cut(tmp_path: Path) -> None:
    """Connecting alone holds no place for longer than a head may take."""
    async with closed(tmp_path, http={"limits": {"head_within_s": 0.1}}) as gateway:
        assert b" 408 " in (await _raw(gateway)).split(b"\r\n")[0]


async def test_body_that_comes_too_slowly_is_refused(tmp_path: Path) -> None:
    """408 once its time is over, on a route that parses JSON and on one that reads bytes."""
    http = {"limits": {"body_within_s": 0.2}}
    async with closed(tmp_path, http=http) as gateway:
        key = await gateway.key(AccessRole.SUPERVISOR)
        answers = [
            await _raw(
                gateway,
                _head(
                    path, key, Content_Length="100", Content_Type="application/json",
                    Connection="close",
                ),
                b'{"a',
            )
            for path in ("/v1/events", "/v1/stations/s1/hold")
        ]  # fmt: skip
    assert [b"HTTP/1.1 408 Request Timeout"] * 2 == [a.split(b"\r\n")[0] for a in answers]


async def test_head_without_end_is_refused(tmp_path: Path) -> None:
    """One header of a megabyte, or thousands of them: 431."""
    long_value = b"GET / HTTP/1.1\r\nX: " + b"a" * 1_000_000
    many = b"GET / HTTP/1.1\r\n" + b"X-A: b\r\n" * 100_000
    async with closed(tmp_path) as gateway:
        answers = [await _raw(gateway, attack) for attack in (long_value, many)]
    assert all(b" 431 " in answer.split(b"\r\n")[0] for answer in answers if answer)


async def test_many_connections_of_one_address_leave_room_for_others(tmp_path: Path) -> None:
    """Beyond the limit the listener answers 503 and closes; those within go on."""
    http = {"limits": {"connections_per_address": 5, "head_within_s": 60}}
    async with closed(tmp_path, http=http) as gateway:
        held = [await asyncio.open_connection(gateway.host, gateway.port) for _ in range(5)]
        refused = await _raw(gateway)
        reader, writer = held[0]
        writer.write(b"GET /healthz HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        within = await reader.read()
        for _, one in held:
            one.close()
            await one.wait_closed()
        async with gateway.client() as client:
            after = await _eventually(client)
    assert b" 503 " in refused.split(b"\r\n")[0]
    assert b" 200 " in within.split(b"\r\n")[0]
    assert 200 == after


async def _eventually(client: Any) -> int:
    """The listener hears of closed connections in its own time."""
    while True:
        status: int = (await client.get("/healthz")).status_code
        if status == 200:
            return status


@pytest.mark.parametrize("depth", [33, 1000, 100_000])
@pytest.mark.parametrize("path", ["/v1/events", "/v1/fit", "/v1/stations/s1/hold"])
async def test_deep_json_is_refused_as_the_senders_fault(
    tmp_path: Path, path: str, depth: int
) -> None:
    """Lists in lists in lists: a 4XX, never a crash, and the next request is served."""
    body = b'{"order":' + b"[" * depth + b"]" * depth + b"}"
    async with closed(tmp_path) as gateway:
        key = await gateway.key(AccessRole.SUPERVISOR)
        kind = STRUCTURED if path == "/v1/events" else {"content-type": "application/json"}
        async with gateway.client(key) as client:
            answer = await client.post(path, content=body, headers=kind)
            after = await client.get("/v1/stations")
    assert answer.status_code in (400, 422)
    assert answer.headers["content-type"] == "application/problem+json"
    assert len(answer.content) < 20_000
    assert 200 == after.status_code


@pytest.mark.parametrize("packed", ["gzip", "br", "deflate", "identity, gzip", "zstd"])
async def test_packed_body_is_refused_unopened(tmp_path: Path, packed: str) -> None:
    """Nothing is unpacked for a caller, so there is no bomb to be had: 415."""
    bomb = gzip.compress(b" " * 50_000_000)
    headers = {**STRUCTURED, "content-encoding": packed}
    async with (
        closed(tmp_path) as gateway,
        gateway.client(await gateway.key(AccessRole.SENDER)) as client,
    ):
        answer = await client.post("/v1/events", content=bomb, headers=headers)
    assert 415 == answer.status_code


async def test_events_beyond_the_rate_wait_each_key_for_itself(tmp_path: Path) -> None:
    """429 with Retry-After for the key that floods; another key is not slowed; time refills."""
    clock = ManualClock()
    limits = {"limits": {"events_per_s": 2, "events_at_once": 4}}
    async with closed(tmp_path, clock=clock, http=limits) as gateway:
        flood = await gateway.key(AccessRole.STATION, name="flood")
        calm = await gateway.key(AccessRole.STATION, name="calm")
        async with gateway.client(flood) as one, gateway.client(calm) as other:
            answers = [
                await one.post("/v1/events", json=_scan(n), headers=STRUCTURED) for n in range(6)
            ]
            calm_one = await other.post("/v1/events", json=_scan(9), headers=STRUCTURED)
            clock.advance(0.5)
            later = await one.post("/v1/events", json=_scan(10), headers=STRUCTURED)
    assert [202] * 4 + [429] * 2 == [answer.status_code for answer in answers]
    assert "1" == answers[-1].headers["retry-after"]
    assert (202, 202) == (calm_one.status_code, later.status_code)


async def test_batch_counts_each_of_its_events(tmp_path: Path) -> None:
    """A batch as large as the whole allowance passes once, and then nothing does."""
    limits = {"limits": {"events_per_s": 1, "events_at_once": 10}}
    batch = {"content-type": "application/cloudevents-batch+json"}
    async with (
        closed(tmp_path, clock=ManualClock(), http=limits) as gateway,
        gateway.client(await gateway.key(AccessRole.STATION)) as client,
    ):
        first = await client.post("/v1/events", json=[_scan(n) for n in range(10)], headers=batch)
        second = await client.post("/v1/events", json=_scan(99), headers=STRUCTURED)
    assert (202, 429) == (first.status_code, second.status_code)


def _scan(number: int) -> dict[str, Any]:
    return event(f"e{number}", "station.state", "s1", state="unknown")


async def test_supplied_label_beyond_its_limit_is_refused_by_name(tmp_path: Path) -> None:
    """A label of more bytes than are ever read for its inspection is a wrong field: 422."""
    content = b"^XA^FX" + b"x" * MAX_BYTES + b"^XZ"
    label = {"content": b64encode(content).decode(), "language": "zpl", "expected_scans": ["W-1"]}
    scan = event("1", "order.scanned", "s1", code="SO-1", order=order("SO-1", labels=[label]))
    async with (
        closed(tmp_path) as gateway,
        gateway.client(await gateway.key(AccessRole.SENDER)) as client,
    ):
        answer = await client.post("/v1/events", json=scan, headers=STRUCTURED)
    fields = [field["field"] for field in json.loads(answer.content)["fields"]]
    assert (422, ["data.order.labels.0.content"]) == (answer.status_code, fields)
