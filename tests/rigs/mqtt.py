"""A station behind a real broker: its own client, the simulated machine behind."""

import asyncio
import json
from collections.abc import Mapping
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from adapters.simulator.cycle import Bag
from adapters.simulator.faces import label_in, size_in
from adapters.simulator.faults import FaultKind
from schemas.station import Fate, OptionValue, Signal
from tests.rigs.broker import Mosquitto
from tests.rigs.simulated import SimulatedRig


class MqttRig(SimulatedRig):
    """Jobs and answers through mosquitto."""

    def __init__(self, topic: str = "bagrelay/kit", broker_settings: str = "") -> None:
        super().__init__()
        self._topic = topic
        self.broker = Mosquitto(broker_settings)
        self._client: paho.Client | None = None
        self._loop = asyncio.get_running_loop()
        self._subscribed = asyncio.Event()
        self._held_back: list[paho.MQTTMessage] = []
        self._silent = False
        self._number = 0
        self.expiry_seen: int | None = None
        self._restarting: asyncio.Task[None] | None = None

    async def start(self) -> None:
        await self.broker.start()
        self.station.start_machine()
        await self.on()

    async def stop(self) -> None:
        if self._restarting is not None:
            await self._restarting
        await self.off()
        await self.station.stop()
        await self.broker.stop()

    def address(self) -> tuple[str, int]:
        return ("127.0.0.1", self.broker.port)

    def options(self) -> Mapping[str, OptionValue]:
        return {
            "host": "127.0.0.1",
            "port": self.broker.port,
            "connect_s": 0.6,
            "answer_s": 0.6,
            "print_s": 0.6,
        }

    async def on(self) -> None:
        self._subscribed.clear()
        client = self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="station", protocol=paho.MQTTv5
        )
        client.will_set(f"{self._topic}/here", b"0", qos=1, retain=True)
        client.on_message = lambda _c, _u, m: self._loop.call_soon_threadsafe(self._message, m)
        client.on_subscribe = lambda *_: self._loop.call_soon_threadsafe(self._subscribed.set)
        await asyncio.to_thread(client.connect, "127.0.0.1", self.broker.port)
        client.loop_start()
        client.subscribe([(f"{self._topic}/jobs", 1), (f"{self._topic}/ask", 1)])
        async with asyncio.timeout(3):
            await self._subscribed.wait()
        client.publish(f"{self._topic}/here", b"1", qos=1, retain=True).wait_for_publish(2)

    async def off(self) -> None:
        """Cut the line without a word, so that the broker publishes the last will."""
        client, self._client = self._client, None
        if client is None:
            return
        await asyncio.to_thread(self._die, client)
        self._held_back.clear()
        await asyncio.sleep(0.05)

    @staticmethod
    def _die(client: paho.Client) -> None:
        client._reconnect_on_failure = False
        sock = client.socket()
        if sock is not None:
            sock.shutdown(2)
        client.loop_stop()
        if sock is not None:
            sock.close()

    def lines(self) -> int:
        """Connections to the broker that are not the station's own."""
        port = f":{self.broker.port:04X}"
        own = self._client.socket() if self._client else None
        mine = f":{own.getsockname()[1]:04X}" if own else ""
        rows = [row.split() for row in Path("/proc/net/tcp").read_text().splitlines()[1:]]
        return sum(
            row[2].endswith(port) and row[3] == "01" and not row[1].endswith(mine or "none")
            for row in rows
        )

    def silent(self) -> None:
        self._silent = True

    def heal(self) -> None:
        self._silent = False
        self.station.heal()
        held, self._held_back = self._held_back, []
        for message in held:
            self._message(message)

    def report(self, signal: Signal) -> None:
        self._number += 1
        body = signal.model_copy(update={"number": self._number}).model_dump_json().encode()
        assert self._client is not None
        for _ in range(2):
            self._client.publish(f"{self._topic}/signals", body, qos=1)

    def _message(self, message: paho.MQTTMessage) -> None:
        self.expiry_seen = getattr(message.properties, "MessageExpiryInterval", None)
        if self._silent:
            self._held_back.append(message)
            return
        said = json.loads(message.payload)
        if message.topic.endswith("/jobs"):
            self._job(message, said)
        else:
            self._ask(message, said)

    def _ask(self, message: paho.MQTTMessage, said: dict[str, str]) -> None:
        station = self.station
        match said["type"]:
            case "state":
                self._answer(message, station.condition().model_dump(mode="json"))
            case "fate":
                self._answer(message, {"fate": station.fate(said["job_id"]).value})
            case "count":
                self._answer(message, {"count": station.printed_count})
            case "hold":
                station.hold(said["reason"])
                self._answer(message, {"ok": True})
            case "release":
                station.release()
                self._answer(message, {"ok": True})
            case "pass_by":
                station.passed.append(said["code"])
                self._answer(message, {"ok": True})

    def _job(self, message: paho.MQTTMessage, said: dict[str, object]) -> None:
        station, job_id = self.station, str(said["job_id"])
        fault, label = station.script.befalls(), label_in(said)
        if station.fate(job_id) is Fate.PRINTED:
            self._answer(message, {"stage": "printed", "repeated": True})
        elif station.fate(job_id) is Fate.WAITING:
            self._answer(message, {"stage": "accepted", "repeated": True})
        elif fault is FaultKind.REFUSE or label is None:
            self._answer(message, {"refused": "told to refuse"})
        elif station.shown_faults:
            self._answer(message, {"needs_person": "paper out"})
        elif fault is FaultKind.CUT:
            # The message came and the station died before it printed anything of it.
            self._restarting = asyncio.create_task(self._restart(), name="rig restart")
        else:

            def printed(bag: Bag) -> None:
                if fault is not FaultKind.LOSES_LINE:
                    self._answer(message, {"stage": "printed", "device_job": str(bag.number)})

            if fault is FaultKind.GARBAGE:
                # What is true comes behind it.
                self._answer(message, b"\x00\xff what?")
            station.queue_label(label, job_id, printed, 1, size_in(said))

    async def _restart(self) -> None:
        await self.off()
        await self.on()

    def _answer(self, message: paho.MQTTMessage, what: dict[str, object] | bytes) -> None:
        about = Properties(PacketTypes.PUBLISH)
        about.CorrelationData = message.properties.CorrelationData
        body = what if isinstance(what, bytes) else json.dumps(what).encode()
        if self._client is not None:
            self._client.publish(message.properties.ResponseTopic, body, qos=1, properties=about)
