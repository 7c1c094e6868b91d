"""MQTT 5: a session that the broker keeps for us in, QoS 1 out.

CloudEvents 1.0.2, MQTT binding: structured by the content type property, binary by user
properties without a prefix. The client library acknowledges nothing by itself and never connects
again by itself. Acknowledgements go out in the order in which the messages came in, as MQTT 5
demands (section 4.6), so a message that must wait is put aside at the broker and its
place in that order given up.

A broker may bound what it keeps for a session that is away and drop the rest in silence (one
well-known broker keeps 1,000 messages unless told otherwise): that setting is the site's.
"""

import asyncio
import contextlib
from collections import deque
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from urllib.parse import urlsplit

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from gateway.queues.port import (
    STRUCTURED,
    BrokerDown,
    BrokerRefuses,
    Delivery,
    Event,
    NeverTakes,
    Unavailable,
    header_value,
    why_down,
)
from gateway.queues.secure import BrokerAddress

_SESSION_S = 0xFFFFFFFF  # MQTT 5, section 3.1.2.11.2: the session does not expire
_ANSWER_S = 5.0
_REFUSED = {0x86, 0x87, 0x8C}  # MQTT 5, section 3.2.2.2: bad user or password, not authorised
Marks = list[tuple[str, str]]


@dataclass(slots=True)
class _InHand:
    message: paho.MQTTMessage
    done: bool = False


class MqttLink:
    """One connection; thrown away when it is lost."""

    def __init__(self, address: BrokerAddress, client_id: str) -> None:
        self._address = address
        self._client_id = client_id
        self._client: paho.Client | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._answers: dict[int, asyncio.Future[ReasonCode]] = {}
        self._ready: asyncio.Future[ReasonCode] | None = None
        self.on_message: Callable[[paho.MQTTMessage], None] = lambda _message: None
        self.on_lost: Callable[[], None] = lambda: None
        self.alive = False

    async def open(self, topics: list[str], *, keep_session: bool, window: int = 100) -> None:
        """Connect and subscribe. Raises `BrokerDown`."""
        loop = self._loop = asyncio.get_running_loop()
        self._ready = loop.create_future()
        self._answers = {}
        about = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        about.SessionExpiryInterval = _SESSION_S if keep_session else 0
        about.ReceiveMaximum = window
        url = urlsplit(self._address.url)
        port = url.port or (8883 if self._address.secure else 1883)
        try:
            client = self._client = self._made()
            await asyncio.to_thread(
                client.connect,
                url.hostname or "",
                port,
                30,
                clean_start=not keep_session,
                properties=about,
            )
            client.loop_start()
            async with asyncio.timeout(_ANSWER_S):
                _agreed(await self._ready)
                self.alive = True
                if topics:
                    wanted = [(topic, SubscribeOptions(qos=1)) for topic in topics]
                    _agreed(await self._answer(client.subscribe(wanted)[1]))
        except (OSError, ValueError, TimeoutError, BrokerDown) as error:
            await self.close()
            if isinstance(error, BrokerDown):
                raise
            raise BrokerDown(why_down(error)) from error

    def _made(self) -> paho.Client:
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=paho.MQTTv5,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        if self._address.user:
            client.username_pw_set(self._address.user, self._address.password)
        context = self._address.context()
        if context is not None:
            client.tls_set_context(context)
        client.connect_timeout = 3.0
        client.max_inflight_messages_set(0xFFFF)
        client.on_connect = lambda _c, _u, _f, code, _p: self._call(self._connected, code)
        client.on_disconnect = lambda c, _u, _f, _code, _p: self._call(self._gone, c)
        client.on_message = lambda _c, _u, message: self._call(self.on_message, message)
        client.on_publish = lambda _c, _u, mid, code, _p: self._call(self._answered, mid, code)
        client.on_subscribe = lambda _c, _u, mid, codes, _p: self._call(
            self._answered, mid, max(codes, key=lambda code: code.value)
        )
        return client

    async def publish(self, topic: str, body: bytes, content_type: str | None, marks: Marks) -> int:
        """Publish with QoS 1; the reason code of the broker's acknowledgement."""
        if self._client is None or not self.alive:
            raise BrokerDown("the connection was lost")
        about = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if content_type:
            about.ContentType = content_type
        if marks:
            about.UserProperty = marks
        async with asyncio.timeout(_ANSWER_S):
            code = await self._answer(
                self._client.publish(topic, body, qos=1, properties=about).mid
            )
        return int(code.value)

    def ack(self, message: paho.MQTTMessage) -> None:
        """Acknowledge one message."""
        if self._client is None or not self.alive:
            raise BrokerDown("the connection was lost")
        self._client.ack(message.mid, message.qos)

    async def close(self) -> None:
        """Disconnect in order, without unsubscribing: the broker keeps what comes meanwhile."""
        self.alive = False
        client, self._client = self._client, None
        if client is not None:
            await asyncio.to_thread(_hang_up, client)

    async def _answer(self, mid: int | None) -> ReasonCode:
        if mid is None or self._loop is None:
            raise BrokerDown("the connection was lost")
        waiting = self._answers.setdefault(mid, self._loop.create_future())
        try:
            return await waiting
        finally:
            self._answers.pop(mid, None)

    def _call(self, what: Callable[..., None], *given: object) -> None:
        # the loop may be closed already when the last packet comes
        with contextlib.suppress(RuntimeError):
            if self._loop is not None:
                self._loop.call_soon_threadsafe(what, *given)

    def _connected(self, code: ReasonCode) -> None:
        if self._ready is not None and not self._ready.done():
            self._ready.set_result(code)

    def _answered(self, mid: int, code: ReasonCode) -> None:
        if self._loop is None:
            return
        waiting = self._answers.setdefault(mid, self._loop.create_future())
        if not waiting.done():
            waiting.set_result(code)

    def _gone(self, client: paho.Client) -> None:
        if client is not self._client:
            return
        self.alive = False
        for waiting in (self._ready, *self._answers.values()):
            if waiting is not None and not waiting.done():
                waiting.set_exception(BrokerDown("the connection was lost"))
                waiting.exception()
        self.on_lost()


class MqttSource:
    """Events from a topic. What must wait goes by a second topic of ours, since MQTT knows no
    handing back."""

    def __init__(self, link: MqttLink, *, topic: str, dead: str, prefetch: int) -> None:
        self._link = link
        self._topic, self._later, self._dead = topic, f"{topic}/later", dead
        self._prefetch = prefetch
        self._came: asyncio.Queue[_InHand | None] = asyncio.Queue()
        self._order: deque[_InHand] = deque()

    async def open(self) -> None:
        """Connect; take up the session that the broker kept."""
        self._came, self._order = asyncio.Queue(), deque()
        self._link.on_message = self._take
        self._link.on_lost = lambda: self._came.put_nowait(None)
        window = min(self._prefetch, 0xFFFF)
        await self._link.open([self._topic, self._later], keep_session=True, window=window)

    def _take(self, message: paho.MQTTMessage) -> None:
        taken = _InHand(message)
        self._order.append(taken)
        self._came.put_nowait(taken)

    async def deliveries(self) -> AsyncIterator[Delivery]:
        """Messages as they come; raises `BrokerDown` when the connection is lost."""
        while (taken := await self._came.get()) is not None:
            yield _delivery(taken)
        raise BrokerDown("the connection was lost")

    async def ack(self, delivery: Delivery) -> None:
        """Acknowledge it once everything that came before it is acknowledged."""
        taken = delivery.handle
        assert isinstance(taken, _InHand)
        taken.done = True
        while self._order and self._order[0].done:
            self._link.ack(self._order.popleft().message)

    async def later(self, delivery: Delivery, delay_s: float) -> None:
        """Hold it for so long, put it behind the others at the broker, let the original go."""
        await asyncio.sleep(delay_s)
        await self._move(delivery, self._later, [])

    async def dead(self, delivery: Delivery, problem: str, reason: str) -> None:
        """Publish to the dead topic, then let the original go."""
        marks = [("bagrelay-problem", problem), ("bagrelay-reason", reason)]
        await self._move(delivery, self._dead, marks)

    async def _move(self, delivery: Delivery, to: str, marks: Marks) -> None:
        taken = delivery.handle
        assert isinstance(taken, _InHand)
        content_type, kept = _about(taken.message)
        try:
            await self._link.publish(to, delivery.body, content_type, kept + marks)
        except (OSError, TimeoutError) as error:
            raise BrokerDown(why_down(error)) from error
        await self.ack(delivery)

    async def close(self) -> None:
        """Disconnect; the session stays, so that what comes meanwhile waits at the broker."""
        await self._link.close()
        self._came.put_nowait(None)


class MqttSink:
    """The gateway's own events on a topic, QoS 1."""

    def __init__(self, link: MqttLink, topic: str, *, binary: bool) -> None:
        self._link, self._topic, self._binary = link, topic, binary

    async def send(self, event: Event) -> None:
        """Publish and wait for the broker's acknowledgement."""
        try:
            if not self._link.alive:
                await self._link.close()
                await self._link.open([], keep_session=False)
            body, content_type, marks = _message_of(event, binary=self._binary)
            code = await self._link.publish(self._topic, body, content_type, marks)
        except (BrokerDown, OSError, TimeoutError) as error:
            raise Unavailable(why_down(error)) from error
        except ValueError as error:
            raise NeverTakes(str(error)) from error
        if code >= 0x80:
            raise Unavailable(f"the broker refused it with reason code {code:#04x}")

    async def close(self) -> None:
        """Let go of the connection."""
        await self._link.close()


def _about(message: paho.MQTTMessage) -> tuple[str | None, Marks]:
    properties = message.properties
    content_type: str | None = getattr(properties, "ContentType", None)
    marks: Marks = list(getattr(properties, "UserProperty", []))
    return content_type, marks


def _delivery(taken: _InHand) -> Delivery:
    content_type, marks = _about(taken.message)
    named = dict(marks)
    headers: dict[str, str] = {}
    if "specversion" in named and (content_type or "").partition(";")[0].strip() != STRUCTURED:
        headers = {f"ce-{name.lower()}": header_value(value) for name, value in marks}
    if content_type:
        headers["content-type"] = content_type
    elif not headers:
        headers["content-type"] = STRUCTURED
    return Delivery(bytes(taken.message.payload), headers, 1, taken)


def _message_of(event: Event, *, binary: bool) -> tuple[bytes, str, Marks]:
    if not binary:
        return event.structured(), STRUCTURED, []
    attributes = event.attributes()
    content_type = attributes.pop("datacontenttype")
    return event.data, content_type, list(attributes.items())


def _agreed(code: ReasonCode) -> None:
    if code.is_failure:
        kind = BrokerRefuses if code.value in _REFUSED else BrokerDown
        raise kind(f"the broker said: {code}")


def _hang_up(client: paho.Client) -> None:
    with contextlib.suppress(OSError, ValueError):
        client.disconnect()
    client.loop_stop()
