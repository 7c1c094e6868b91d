"""A station behind an MQTT 5 broker: request and response with correlation data, QoS 1.

    PREFIX/STATION/jobs      to the station: a job as JSON
    PREFIX/STATION/ask       to the station: {"type": "state", "fate", "count", "hold", "release" or
                             "pass_by"}
    PREFIX/STATION/answers/CLIENT   from it: answers, with the correlation data of the question
    PREFIX/STATION/signals   from it: a Signal as JSON
    PREFIX/STATION/here      from it, retained: "1"; its last will sets "0"
A job expires at the broker when its answer would come too late to matter, so that a station that
comes back doesn't print yesterday's labels. Nothing is published again after a lost connection.
"""

import asyncio
import base64
import json
from collections.abc import AsyncIterator
from typing import ClassVar, Self

import paho.mqtt.client as paho
from pydantic import ValidationError

from adapters.contract import Claims, LineSettings
from adapters.errors import (
    FateUnknown,
    Misconfigured,
    NeedsPerson,
    NothingSent,
    Refused,
    StationFault,
)
from adapters.mqtt_link import Broker, LinkLost, MqttLink
from adapters.options import Options
from adapters.reports import Reports
from adapters.tls import wanted
from schemas.station import (
    Fate,
    MachineState,
    Receipt,
    ReceiptStage,
    Retry,
    Signal,
    SignalKind,
    StationCondition,
    StationOrder,
)

_NO_SUBSCRIBER = 0x10
_NOT_AUTHORISED = 0x87
Said = dict[str, object]
_Answers = asyncio.Queue[Said]


class Mqtt:
    """One client a station. The broker's word is not the station's: only its answers count."""

    claims: ClassVar[Claims] = Claims(
        knows=frozenset({ReceiptStage.ACCEPTED, ReceiptStage.PRINTED, ReceiptStage.SEALED}),
        drops_repeats=True,
        can_be_asked=True,
        counts_labels=True,
        reports=frozenset(kind.value for kind in SignalKind),
        makes_bags=True,
        holds=True,
        passes_by=True,
        deliver_within_s=25.0,
        state_within_s=6.0,
        # a broker that was restarted takes its clients back one after the other
        retry=Retry(first_wait_s=0.5, longest_wait_s=15.0, breaker_open_s=10.0),
    )

    def __init__(
        self, station: str, broker: Broker, topic: str, *, answer_s: float, print_s: float
    ) -> None:
        self.station = station
        self._broker, self._topic = broker, topic
        self._answer_to = f"{topic}/answers/{broker.client_id}"
        self._answer_s, self._print_s = answer_s, print_s
        self._link: MqttLink | None = None
        self._connecting = asyncio.Lock()
        self._here = asyncio.Event()
        self._left = False
        self._reports = Reports()
        self._asked: dict[bytes, _Answers] = {}
        self._count = 0

    @classmethod
    def from_settings(cls, settings: LineSettings) -> Self:
        """Options: host, port (1883), prefix, client_id, user, password_file or password_env, tls
        with ca_file, cert_file and key_file, and in seconds connect_s, answer_s, print_s.
        """
        options = Options(settings)
        prefix = options.text("prefix", "bagrelay")
        client_id = options.text("client_id", f"bagrelay-{settings.station}")
        for name, value in (("prefix", prefix), ("client_id", client_id)):
            if any(sign in value for sign in "+#\0") or value.startswith("$"):
                raise options.wrong(name, f"{value!r} holds a sign that topics reserve")
        broker = Broker(
            options.text("host"),
            options.port(default=1883),
            client_id,
            user=options.text("user", ""),
            password=options.secret("password"),
            tls=wanted(options),
            connect_s=options.seconds("connect_s", 3.0),
        )
        adapter = cls(
            settings.station,
            broker,
            f"{prefix}/{settings.station}",
            answer_s=options.seconds("answer_s", 5.0),
            print_s=options.seconds("print_s", 10.0),
        )
        options.finish()
        return adapter

    async def open(self) -> None:
        """Connect to the broker and see that the station says it is there."""
        await self._living()

    async def close(self) -> None:
        """Disconnect in order; the session stays, so that reports wait at the broker."""
        self._reports.end()
        async with self._connecting:
            await self._hang_up()

    async def deliver(self, order: StationOrder) -> Receipt:
        """Publish one job and wait for the station's own answer."""
        job = order.model_dump(
            mode="json", include={"job_id", "bag", "slot", "width_mm", "length_mm", "seal"}
        )
        job |= {
            "language": order.language.value,
            "label": base64.b64encode(order.label).decode("ascii"),
        }
        payload = json.dumps(job).encode()
        correlation, answers = await self._publish("jobs", payload, self._print_s)
        try:
            return await self._receipt(order, answers, len(payload))
        finally:
            self._asked.pop(correlation, None)

    async def state(self) -> StationCondition:
        """The station's own state."""
        said = await self._question({"type": "state"})
        try:
            return StationCondition.model_validate(said)
        except ValidationError:
            return StationCondition(state=MachineState.UNKNOWN)

    async def fate(self, job_id: str) -> Fate:
        """What became of a job."""
        said = (await self._question({"type": "fate", "job_id": job_id})).get("fate")
        return Fate(str(said)) if said in set(Fate) else Fate.CANNOT_TELL

    async def labels_printed(self) -> int:
        """The station's count."""
        count = (await self._question({"type": "count"})).get("count")
        if not isinstance(count, int):
            raise NothingSent(f"station {self.station} does not tell its count")
        return count

    async def hold(self, reason: str) -> None:
        """Ask it to make no further bag."""
        await self._question({"type": "hold", "reason": reason})

    async def release(self) -> None:
        """Tell it that it may go on."""
        await self._question({"type": "release"})

    async def pass_by(self, code: str, reason: str) -> None:
        """Tell it to let these goods pass unpacked."""
        await self._question({"type": "pass_by", "code": code, "reason": reason})

    async def signals(self) -> AsyncIterator[Signal]:
        """Reports in order. Each is acknowledged to the broker after the listener took it."""
        async for signal in self._reports.stream():
            yield signal

    async def _living(self) -> MqttLink:
        async with self._connecting:
            link = self._link
            if link is None or not link.alive:
                await self._hang_up()
                self._here.clear()
                link = self._link = MqttLink(self._broker, self._message, self._lost)
                topics = [f"{self._topic}/here", f"{self._topic}/signals", self._answer_to]
                try:
                    await link.connect(topics)
                except LinkLost as lost:
                    self._link = None
                    where = f"station {self.station}: {lost}"
                    if lost.refused:
                        raise Misconfigured(where, do="Check user and password.") from lost
                    raise NothingSent(where, do="Look at the broker.") from lost
                self._reports.begin(numbers_restart=False)
            try:
                async with asyncio.timeout(self._broker.connect_s):
                    await self._here.wait()
            except TimeoutError as gone:
                raise NothingSent(
                    f"station {self.station} is not at the broker", do="Look at its power."
                ) from gone
            return link

    async def _hang_up(self) -> None:
        link, self._link = self._link, None
        if link is not None:
            await link.close()

    async def _publish(self, to: str, payload: bytes, lives_s: float) -> tuple[bytes, _Answers]:
        link = await self._living()
        self._count += 1
        correlation = f"{self.station}-{self._count}".encode()
        answers = self._asked[correlation] = asyncio.Queue()
        try:
            async with asyncio.timeout(self._answer_s):
                code = await link.publish(
                    f"{self._topic}/{to}",
                    payload,
                    answer_to=self._answer_to,
                    correlation=correlation,
                    expires_s=max(1, int(lives_s)),
                )
        except (LinkLost, TimeoutError) as lost:
            self._asked.pop(correlation, None)
            published = not isinstance(lost, LinkLost) or lost.published
            raise self._fault(str(lost) or "no answer", len(payload) if published else 0) from lost
        except BaseException:
            self._asked.pop(correlation, None)
            raise
        if code.value == _NOT_AUTHORISED:
            raise Misconfigured(f"station {self.station}: the broker forbids {self._topic}/{to}")
        if code.value == _NO_SUBSCRIBER or code.is_failure:
            raise self._fault(f"the broker passed it to nobody: {code}", 0)
        return correlation, answers

    async def _receipt(self, order: StationOrder, answers: _Answers, sent: int) -> Receipt:
        accepted, repeated = False, False
        try:
            async with asyncio.timeout(self._answer_s) as deadline:
                while True:
                    said = await answers.get()
                    repeated = repeated or said.get("repeated") is True
                    if said.get("stage") in {ReceiptStage.PRINTED, ReceiptStage.SEALED}:
                        return Receipt(
                            job_id=order.job_id,
                            stage=ReceiptStage(str(said["stage"])),
                            bytes_sent=sent,
                            device_job=str(said.get("device_job", ""))[:200],
                            repeated=repeated,
                        )
                    if said.get("stage") != ReceiptStage.ACCEPTED:
                        raise self._refusal(said, sent)
                    accepted = True
                    deadline.reschedule(asyncio.get_running_loop().time() + self._print_s)
        except TimeoutError as late:
            if not accepted:
                raise self._fault("no answer to the job", sent) from late
        return Receipt(
            job_id=order.job_id, stage=ReceiptStage.ACCEPTED, bytes_sent=sent, repeated=repeated
        )

    def _refusal(self, said: Said, sent: int) -> StationFault:
        if "refused" in said:
            return Refused(f"station {self.station}: {said['refused']}", bytes_sent=sent)
        if "needs_person" in said:
            return NeedsPerson(f"station {self.station}: {said['needs_person']}")
        return self._fault("an answer that makes no sense, or none", sent)

    def _fault(self, why: str, sent: int) -> StationFault:
        where = f"station {self.station}: {why}"
        if sent == 0:
            return NothingSent(where, do="Look at the broker and the station.")
        return FateUnknown(where, do="Ask the station, or look at its bags.", bytes_sent=sent)

    async def _question(self, what: Said) -> Said:
        try:
            correlation, answers = await self._publish(
                "ask", json.dumps(what).encode(), self._answer_s
            )
        except FateUnknown as mute:
            raise NothingSent(mute.what) from mute
        try:
            async with asyncio.timeout(self._answer_s):
                said = await answers.get()
        except TimeoutError as mute:
            raise NothingSent(f"station {self.station} does not answer") from mute
        finally:
            self._asked.pop(correlation, None)
        if "gone" in said:
            raise NothingSent(f"station {self.station} is gone")
        return said

    def _message(self, message: paho.MQTTMessage) -> None:
        link = self._link
        if link is None:
            return
        if message.topic == f"{self._topic}/signals":
            self._report(message, link)
            return
        link.done(message)
        if message.topic == f"{self._topic}/here":
            self._presence(message.payload == b"1")
            return
        correlation = getattr(message.properties, "CorrelationData", b"")
        if correlation in self._asked:
            self._asked[correlation].put_nowait(_object_in(bytes(message.payload)))

    def _report(self, message: paho.MQTTMessage, link: MqttLink) -> None:
        try:
            signal = Signal.model_validate_json(bytes(message.payload))
        except ValidationError:
            link.done(message)
            self._reports.nonsense("a report that makes no sense")
        else:
            self._reports.take(signal, lambda: link.done(message))

    def _presence(self, here: bool) -> None:
        if here:
            if self._left:
                self._reports.take(Signal(kind=SignalKind.STATE, state=MachineState.UNKNOWN))
            self._left = False
            self._here.set()
            return
        if self._here.is_set():
            self._left = True
            self._reports.take(Signal(kind=SignalKind.STATE, state=MachineState.OFFLINE))
        self._here.clear()
        self._tell_askers()

    def _lost(self) -> None:
        self._tell_askers()
        self._reports.lost()

    def _tell_askers(self) -> None:
        for answers in self._asked.values():
            answers.put_nowait({"gone": True})


def _object_in(payload: bytes) -> Said:
    try:
        said = json.loads(payload)
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}
