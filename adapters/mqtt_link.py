"""One connection to an MQTT 5 broker, for asyncio: paho's thread on one side, the loop on ours."""

import asyncio
import contextlib
import ssl
from collections.abc import Callable
from dataclasses import dataclass, field

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from adapters.why_lost import why_lost

_SESSION_S = 86_400


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is and who we are to it."""

    host: str
    port: int
    client_id: str
    user: str = ""
    password: str = field(default="", repr=False)
    tls: ssl.SSLContext | None = None
    connect_s: float = 3.0


class LinkLost(Exception):
    """The connection to the broker is not there; `published` says whether something left."""

    def __init__(self, why: str, *, published: bool = False, refused: bool = False) -> None:
        super().__init__(why)
        self.published = published
        self.refused = refused


class MqttLink:
    """A client that connects once: nothing is resent, because it never reconnects."""

    def __init__(
        self,
        broker: Broker,
        on_message: Callable[[paho.MQTTMessage], None],
        on_lost: Callable[[], None],
    ) -> None:
        self._broker = broker
        self._on_message, self._on_lost = on_message, on_lost
        self._loop = asyncio.get_running_loop()
        self._ready: asyncio.Future[ReasonCode] = self._loop.create_future()
        self._acknowledged: dict[int, asyncio.Future[ReasonCode]] = {}
        self.alive = False
        self._client: paho.Client | None = None

    def _made(self) -> paho.Client:
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._broker.client_id,
            protocol=paho.MQTTv5,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        if self._broker.user:
            client.username_pw_set(self._broker.user, self._broker.password)
        if self._broker.tls is not None:
            client.tls_set_context(self._broker.tls)
        client.connect_timeout = self._broker.connect_s
        client.on_connect = lambda _c, _u, _f, code, _p: self._call(self._connected, code)
        client.on_disconnect = lambda _c, _u, _f, _code, _p: self._call(self._lost)
        client.on_message = lambda _c, _u, message: self._call(self._on_message, message)
        client.on_publish = lambda _c, _u, mid, code, _p: self._call(self._published, mid, code)
        client.on_subscribe = lambda _c, _u, mid, codes, _p: self._call(
            self._published, mid, codes[0]
        )
        return client

    async def connect(self, topics: list[str]) -> None:
        """Connect and subscribe with QoS 1; the session outlives us by a day."""
        try:
            client = await asyncio.to_thread(self._dial)
        except (OSError, ValueError) as fault:
            where = f"{self._broker.host}:{self._broker.port}"
            raise LinkLost(f"{where} can't be reached: {why_lost(fault)}") from fault
        try:
            async with asyncio.timeout(self._broker.connect_s):
                _accepted(await self._ready)
                self.alive = True
                wanted = [(topic, SubscribeOptions(qos=1)) for topic in topics]
                _, mid = client.subscribe(wanted)
                await self._acknowledgement(mid)
        except TimeoutError as late:
            await self.close()
            raise LinkLost("the broker did not answer") from late
        except BaseException:
            await self.close()
            raise

    def _dial(self) -> paho.Client:
        session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        session.SessionExpiryInterval = _SESSION_S
        client = self._client = self._made()
        client.connect(self._broker.host, self._broker.port, clean_start=False, properties=session)
        client.loop_start()
        return client

    async def publish(
        self, topic: str, payload: bytes, *, answer_to: str, correlation: bytes, expires_s: int
    ) -> ReasonCode:
        """Publish with QoS 1 and wait for the broker's acknowledgement."""
        about = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        about.ResponseTopic = answer_to
        about.CorrelationData = correlation
        about.MessageExpiryInterval = expires_s
        if self._client is None or not self.alive:
            raise LinkLost("the line to the broker is gone")
        info = self._client.publish(topic, payload, qos=1, properties=about)
        if info.rc == paho.MQTT_ERR_NO_CONN:
            raise LinkLost("the line to the broker is gone", published=True)
        return await self._acknowledgement(info.mid)

    def done(self, message: paho.MQTTMessage) -> None:
        """Acknowledge a message: it was dealt with and need not come again."""
        if self._client is not None:
            with contextlib.suppress(OSError, ValueError):
                self._client.ack(message.mid, message.qos)

    async def close(self) -> None:
        """Disconnect in order and join the thread."""
        self.alive = False
        client, self._client = self._client, None
        if client is not None:
            await asyncio.to_thread(_hang_up, client)

    def _call(self, what: Callable[..., None], *given: object) -> None:
        # The loop may be gone already when the last packet comes.
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(what, *given)

    def _connected(self, code: ReasonCode) -> None:
        if not self._ready.done():
            self._ready.set_result(code)

    def _lost(self) -> None:
        was, self.alive = self.alive, False
        for waiting in (self._ready, *self._acknowledged.values()):
            if not waiting.done():
                waiting.set_exception(LinkLost("the line to the broker was lost", published=True))
                waiting.exception()
        if was:
            self._on_lost()

    def _published(self, mid: int, code: ReasonCode) -> None:
        waiting = self._acknowledged.setdefault(mid, self._loop.create_future())
        if not waiting.done():
            waiting.set_result(code)

    async def _acknowledgement(self, mid: int | None) -> ReasonCode:
        if mid is None:
            raise LinkLost("the line to the broker is gone")
        waiting = self._acknowledged.setdefault(mid, self._loop.create_future())
        try:
            return await waiting
        finally:
            self._acknowledged.pop(mid, None)


def _accepted(code: ReasonCode) -> None:
    if code.is_failure:
        raise LinkLost(f"the broker refused: {code}", refused=True)


def _hang_up(client: paho.Client) -> None:
    with contextlib.suppress(OSError, ValueError):
        client.disconnect()
    client.loop_stop()
    # The thread may end before it has seen the other side's end.
    sock = client.socket()
    if sock is not None:
        sock.close()
