"""Webhooks: signed, in order, again until taken, never to where they may not go. Real sockets.

The signature is checked by the `standardwebhooks` package, which is its text's own checker.
"""

import asyncio
import base64
import json
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.parser import text_string_to_metric_families
from standardwebhooks.webhooks import Webhook as Checker
from standardwebhooks.webhooks import WebhookVerificationError

from gateway.clock import SystemClock
from gateway.queues import send
from gateway.queues.port import Event, NeverTakes, Unavailable
from gateway.queues.send import Breaker
from gateway.webhooks.deliver import WebhookSink
from gateway.webhooks.sign import SecretWrong, read_secrets, signed_headers
from gateway.webhooks.target import AddressRefused, checked_address, permitted
from schemas.queues import Webhook
from tests.service.gateway_rig import Rig, running, station, until

SECRET = "whsec_" + base64.b64encode(b"a secret of at least 24 bytes").decode()
OTHER = base64.b64encode(b"another secret, being phased in").decode()


class Receiver:
    """A plain HTTP server that keeps what came and answers as told."""

    def __init__(self) -> None:
        self.seen: list[tuple[dict[str, str], bytes]] = []
        self.answers: list[str] = []
        self.methods: list[str] = []
        self.connections = 0
        self._server: asyncio.Server
        self.port = 0

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        self._server.close()
        await self._server.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        try:
            head = (await reader.readuntil(b"\r\n\r\n")).decode()
            lines = [line.partition(": ") for line in head.split("\r\n")[1:] if line]
            headers = {name.lower(): value for name, _, value in lines}
            self.methods.append(head.partition(" ")[0])
            body = await reader.readexactly(int(headers.get("content-length", 0)))
            answer = self.answers.pop(0) if self.answers else "204 No Content"
            if answer.startswith("2"):
                self.seen.append((headers, body))
            writer.write(
                f"HTTP/1.1 {answer}\r\ncontent-length: 0\r\nconnection: close\r\n\r\n".encode()
            )
            await writer.drain()
        except (OSError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.close()


@pytest.fixture
async def receiver() -> AsyncIterator[Receiver]:
    """One that is up."""
    made = Receiver()
    await made.start()
    yield made
    await made.stop()


def _settings(url: str, **more: Any) -> Webhook:
    named = {"id": "erp", "url": url, "secret_env": "HOOK", "allow_networks": ["127.0.0.0/8"]}
    return Webhook.model_validate(named | more)


def _event(number: int = 1) -> Event:
    return Event(
        number=number, id=f"{number}-abc", source="/bagrelay/rig", type="bagrelay.job.moved.v1",
        subject="o1", time=datetime(2026, 1, 5, 6, tzinfo=UTC), data=b'{"text":"x"}',
    )  # fmt: skip


@asynccontextmanager
async def _sink(settings: Webhook, secret: str | None = SECRET) -> AsyncIterator[WebhookSink]:
    sink = WebhookSink(settings, lambda: secret, SystemClock())
    try:
        yield sink
    finally:
        await sink.close()


# --- the signature ---


@given(
    body=st.binary(max_size=200), event_id=st.from_regex(r"[0-9]{1,9}-[0-9a-f]{16}", fullmatch=True)
)
def test_signature_is_what_the_open_text_says(body: bytes, event_id: str) -> None:
    """The independent checker takes any body with our headers, and none that was changed."""
    body = json.dumps(body.hex()).encode()
    now = int(datetime.now(UTC).timestamp())
    headers = signed_headers(read_secrets(SECRET), event_id, now, body)
    assert json.loads(body) == Checker(SECRET).verify(body, headers)
    with pytest.raises(WebhookVerificationError):
        Checker(SECRET).verify(body[:-1] + b'0"', headers)


def test_old_signature_is_turned_down_by_the_checker() -> None:
    """The time is part of what is signed: an old one can't be sent again with a new time."""
    old = int((datetime.now(UTC) - timedelta(hours=1)).timestamp())
    headers = signed_headers(read_secrets(SECRET), "1-a", old, b"{}")
    with pytest.raises(WebhookVerificationError):
        Checker(SECRET).verify(b"{}", headers)
    headers["webhook-timestamp"] = str(int(datetime.now(UTC).timestamp()))
    with pytest.raises(WebhookVerificationError):
        Checker(SECRET).verify(b"{}", headers)


def test_two_secrets_sign_while_one_is_replaced() -> None:
    """Receivers with the old secret and with the new one both take it."""
    now = int(datetime.now(UTC).timestamp())
    headers = signed_headers(read_secrets(f"{SECRET} {OTHER}"), "1-a", now, b"{}")
    assert [{}, {}] == [Checker(one).verify(b"{}", headers) for one in (SECRET, OTHER)]


@pytest.mark.parametrize("text", ["", "short", "whsec_!!!", base64.b64encode(b"x" * 23).decode()])
def test_bad_secret_signs_nothing(text: str) -> None:
    """No secret, no base64, fewer than 24 bytes (the open text's least): refused."""
    with pytest.raises(SecretWrong):
        read_secrets(text)


# --- where it may go ---


@pytest.mark.parametrize(
    "address",
    [
        "127.0.0.1", "10.1.2.3", "172.16.0.1", "192.168.1.1", "169.254.169.254", "100.64.0.1",
        "0.0.0.0", "255.255.255.255", "224.0.0.1", "192.0.2.1", "::1", "::", "fe80::1", "fc00::1",
        "fd12:3456::1", "ff02::1", "::ffff:127.0.0.1", "::ffff:10.0.0.1", "64:ff9b::7f00:1",
        "2002:7f00:1::", "::7f00:1", "fe80::1%eth0", "no address",
    ],
)  # fmt: skip
def test_inner_addresses_are_refused(address: str) -> None:
    """Special-purpose addresses of the IANA registries (RFC 6890), also inside IPv6 forms that
    carry an IPv4 address."""
    assert not permitted(address, ())


@pytest.mark.parametrize("address", ["8.8.8.8", "2001:4860:4860::8888", "64:ff9b::808:808"])
def test_open_addresses_are_permitted(address: str) -> None:
    """Global unicast addresses are taken."""
    assert permitted(address, ())


def test_named_network_permits_its_own_only() -> None:
    """What the site names is permitted, its neighbour is not."""
    assert permitted("10.2.3.4", ["10.2.0.0/16"])
    assert permitted("::ffff:10.2.3.4", ["10.2.0.0/16"])
    assert not permitted("10.3.0.1", ["10.2.0.0/16"])


async def test_refused_target_gets_no_connection(receiver: Receiver) -> None:
    """Loopback that the site doesn't name is not even connected to, by name or by address."""
    for host in ("127.0.0.1", "localhost"):
        settings = _settings(f"http://{host}:{receiver.port}/in", allow_networks=[])
        async with _sink(settings) as sink:
            with pytest.raises(Unavailable, match="inside"):
                await sink.send(_event())
    assert 0 == receiver.connections


async def test_checked_address_is_the_one_connected_to(
    receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name that points elsewhere a moment later changes nothing: it is asked once, and the
    checked address is used; the Host header keeps the name."""
    asked: list[str] = []
    loop = asyncio.get_running_loop()
    real = loop.getaddrinfo

    async def rebinding(host: str, port: int, **more: Any) -> Any:
        if host == "hook.test":
            asked.append(host)
            where = "127.0.0.1" if len(asked) == 1 else "127.0.0.2"
            return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (where, port))]
        assert host != "hook.test"
        return await real(host, port, **more)

    monkeypatch.setattr(loop, "getaddrinfo", rebinding)
    settings = _settings(f"http://hook.test:{receiver.port}/in", allow_networks=["127.0.0.1/32"])
    async with _sink(settings) as sink:
        await sink.send(_event())
        with pytest.raises(Unavailable, match="inside"):
            await sink.send(_event())
    assert ["hook.test", "hook.test"] == asked
    assert [f"hook.test:{receiver.port}"] == [headers["host"] for headers, _ in receiver.seen]


async def test_one_open_address_among_inner_ones_is_chosen(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Of several addresses only a permitted one is ever used."""

    async def both(host: str, port: int, **more: Any) -> Any:
        return [
            (socket.AF_INET, socket.SOCK_STREAM, 6, "", (where, port))
            for where in ("10.0.0.1", "8.8.8.8")
        ]

    monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", both)
    assert "8.8.8.8" == await checked_address("hook.test", 443, ())
    monkeypatch.setattr("gateway.webhooks.target.permitted", lambda *_: False)
    with pytest.raises(AddressRefused):
        await checked_address("hook.test", 443, ())


# --- what answers mean ---


@pytest.mark.parametrize(
    ("answer", "error"),
    [
        ("200 OK", None), ("202 Accepted", None), ("400 Bad Request", NeverTakes),
        ("422 Unprocessable", NeverTakes), ("401 Unauthorized", Unavailable),
        ("404 Not Found", Unavailable), ("500 Broken", Unavailable),
        ("302 Found\r\nlocation: http://127.0.0.1:1/", Unavailable),
    ],
)  # fmt: skip
async def test_answer_decides(
    receiver: Receiver, answer: str, error: type[Exception] | None
) -> None:
    """2xx: taken. 400, 413, 415, 422: never. Anything else, a redirect too: later."""
    receiver.answers = [answer]
    async with _sink(_settings(f"http://127.0.0.1:{receiver.port}/")) as sink:
        if error is None:
            await sink.send(_event())
        else:
            with pytest.raises(error):
                await sink.send(_event())
    assert 1 == receiver.connections


@pytest.mark.parametrize(
    ("said", "wanted"), [("120", 120.0), ("Mon, 05 Jan 2026 06:02:00 GMT", 0.0), ("soon", 0.0)]
)
async def test_retry_after_is_kept(receiver: Receiver, said: str, wanted: float) -> None:
    """Both forms of Retry-After (RFC 9110, section 10.2.3); nonsense is none."""
    receiver.answers = [f"503 Busy\r\nretry-after: {said}"]
    async with _sink(_settings(f"http://127.0.0.1:{receiver.port}/")) as sink:
        with pytest.raises(Unavailable) as told:
            await sink.send(_event())
    assert wanted == told.value.retry_after_s


async def test_nothing_is_sent_unsigned(receiver: Receiver) -> None:
    """Without its secret a target gets nothing, and the reason doesn't show any secret."""
    for secret in (None, "not base64!"):
        async with _sink(_settings(f"http://127.0.0.1:{receiver.port}/"), secret) as sink:
            with pytest.raises(Unavailable, match="unsigned") as told:
                await sink.send(_event())
            assert "not base64!" not in str(told.value)
    assert 0 == receiver.connections


async def test_mute_target_is_given_up_in_time() -> None:
    """A target that takes the connection and never answers is later, not for ever."""

    async def mute(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await over.wait()
        writer.close()

    over = asyncio.Event()
    server = await asyncio.start_server(mute, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with _sink(_settings(f"http://127.0.0.1:{port}/", answer_s=0.1)) as sink:
        with pytest.raises(Unavailable, match="reached"):
            await sink.send(_event())
    over.set()
    server.close()
    await server.wait_closed()


@given(chances=st.lists(st.floats(0, 1), min_size=1, max_size=40), asked=st.floats(0, 10_000))
def test_breaker_waits_longer_each_time_and_never_too_long(
    chances: list[float], asked: float
) -> None:
    """From half of its first wait up to its longest; what a target asks for counts up to 300 s."""
    breaker = Breaker(1.0, 60.0)
    for chance in chances:
        assert 0.5 <= breaker.opened(chance) <= 60.0
        assert breaker.is_open
    assert 300.0 >= breaker.opened(0.5, asked) >= min(asked, 300.0)
    breaker.closed()
    assert not breaker.is_open


# --- through the gateway ---


@pytest.fixture
def hooked(
    receiver: Receiver, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Callable[..., Any]:
    """A gateway that tells the receiver what it does."""
    secret = tmp_path / "secret"
    secret.write_text(SECRET)

    def make(folder: Path, **more: Any) -> Any:
        section = {
            "id": "erp", "url": f"http://127.0.0.1:{receiver.port}/in",
            "secret_file": str(secret), "allow_networks": ["127.0.0.1/32"], **more,
        }  # fmt: skip
        return running(folder, station("s1"), webhook=[section])

    return make


async def _target(rig: Rig) -> dict[str, Any]:
    told: dict[str, Any] = (await rig.client.get("/v1/queues")).json()["targets"][0]
    return told


async def _told(rig: Rig, receiver: Receiver, wanted: int) -> list[dict[str, Any]]:
    async def look() -> bool:
        return len(receiver.seen) >= wanted

    await until(look, f"{wanted} events at the receiver")
    return [json.loads(body) for _, body in receiver.seen]


async def test_own_events_come_in_order_signed(
    hooked: Callable[..., Any], receiver: Receiver, tmp_path: Path
) -> None:
    """What the gateway does is told in its order; each post holds to the checker."""
    async with hooked(tmp_path) as rig:
        await rig.scan("s1", "o1")
        events = await _told(rig, receiver, 3)
    assert ["bagrelay.order.decided.v1", "bagrelay.job.moved.v1"] == [e["type"] for e in events[:2]]
    numbers = [int(event["id"].partition("-")[0]) for event in events]
    assert sorted(set(numbers)) == numbers
    for headers, body in receiver.seen:
        assert "application/cloudevents+json" == headers["content-type"]
        assert json.loads(body) == Checker(SECRET).verify(body, headers)


async def test_commit_wakes_the_sender(
    hooked: Callable[..., Any],
    receiver: Receiver,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What is told goes out because a commit said so, not because somebody looked again."""
    monkeypatch.setattr(send, "LOOK_EVERY_S", 3600.0)
    async with hooked(tmp_path) as rig:
        await rig.scan("s1", "o1")
        await _told(rig, receiver, 3)
        await rig.scan("s1", "o2")
        await _told(rig, receiver, 6)


async def test_target_that_is_down_is_a_figure(
    hooked: Callable[..., Any], receiver: Receiver, tmp_path: Path
) -> None:
    """How much waits, since when, and how often it took nothing, in the Prometheus text format."""
    async with hooked(tmp_path) as rig:
        await receiver.stop()
        await rig.scan("s1", "o1")

        async def figures() -> dict[str, float] | None:
            told = {
                sample.name: sample.value
                for family in text_string_to_metric_families(
                    (await rig.client.get("/metrics")).text
                )
                for sample in family.samples
                if sample.labels.get("way", "to webhook erp") == "to webhook erp"
            }
            return told if told["bagrelay_target_faults_total"] else None

        told = await until(figures, "the target to be seen down")
    assert told["bagrelay_target_waiting"] >= 2
    assert told["bagrelay_target_lag_seconds"] > 0
    assert 0 == told["bagrelay_target_missed_total"] == told["bagrelay_dead_letters"]


async def test_only_named_types_are_told(
    hooked: Callable[..., Any], receiver: Receiver, tmp_path: Path
) -> None:
    """A target that names types hears of no other, and waits for nothing else."""
    async with hooked(tmp_path, send=["bagrelay.order.decided.v1"]) as rig:
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "printed", "closed")
        await _told(rig, receiver, 1)

        async def done() -> bool:
            return bool((await _target(rig))["waiting"] == 0)

        await until(done, "nothing to wait")
        assert {"bagrelay.order.decided.v1"} == {json.loads(b)["type"] for _, b in receiver.seen}


async def test_target_that_is_down_gets_everything_later(
    hooked: Callable[..., Any], receiver: Receiver, tmp_path: Path
) -> None:
    """While it is down the room works on; once it is back it gets all of it, in order, once."""
    async with hooked(tmp_path) as rig:
        await receiver.stop()
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "printed", "closed")

        async def waits() -> bool:
            return bool((await _target(rig))["text"])

        await until(waits, "the target's breaker to say why")
        await receiver.start()

        async def done() -> bool:
            return bool((await _target(rig))["waiting"] == 0)

        await until(done, "the outbox to be told")
        ids = [json.loads(body)["id"] for _, body in receiver.seen]
        assert ids == list(dict.fromkeys(ids))
        assert len(ids) == (await _target(rig))["sent_to"]


async def test_event_that_is_never_taken_is_a_dead_letter_and_replayed(
    hooked: Callable[..., Any], receiver: Receiver, tmp_path: Path
) -> None:
    """A 422 puts one event aside with its reason; the next ones go on; replay sends it again."""
    receiver.answers = ["422 No"]
    async with hooked(tmp_path) as rig:
        await rig.scan("s1", "o1")
        events = await _told(rig, receiver, 2)
        assert "bagrelay.order.decided.v1" not in {event["type"] for event in events}
        [letter] = (await rig.client.get("/v1/dead-letters")).json()
        assert ("to webhook erp", "it answered 422") == (letter["way"], letter["reason"])
        done = await rig.client.post(f"/v1/dead-letters/{letter['id']}/replay")
        assert 200 == done.status_code, done.text
        last = json.loads(receiver.seen[-1][1])
    assert ("bagrelay.order.decided.v1", letter["event_id"]) == (last["type"], last["id"])


async def test_replay_sends_the_same_events_by_the_same_ids(
    hooked: Callable[..., Any], receiver: Receiver, tmp_path: Path
) -> None:
    """From one number on, everything once more; a number that isn't kept is refused."""
    async with hooked(tmp_path) as rig:
        await rig.scan("s1", "o1")
        await rig.job_in("o1", "printed", "closed")

        async def done() -> bool:
            target = await _target(rig)
            return bool(target["waiting"] == 0 and target["sent_to"] > 0)

        await until(done, "the outbox to be told")
        first = [json.loads(body)["id"] for _, body in receiver.seen]
        path = "/v1/targets/to webhook erp/replay"
        answer = await rig.client.post(path, json={"first": 1})
        assert 200 == answer.status_code, answer.text
        again = await _told(rig, receiver, 2 * len(first))
        assert first + first == [event["id"] for event in again]
        missing = await rig.client.post(path, json={"first": 10_000})
        unknown = await rig.client.post("/v1/targets/nobody/replay", json={"first": 1})
    assert (404, 404) == (missing.status_code, unknown.status_code)


async def test_webhook_without_a_secret_is_refused_in_the_site_file() -> None:
    """A site can't ask for unsigned posts."""
    with pytest.raises(ValueError, match="signed"):
        Webhook.model_validate({"id": "erp", "url": "https://erp.example/in"})
