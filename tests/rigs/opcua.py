"""A bag machine's controller: a real OPC UA server whose nodes make bags when triggered."""

import asyncio
import threading
from collections import Counter
from collections.abc import Awaitable, Callable, Coroutine, Mapping
from typing import Any, ClassVar

from asyncua import Server, ua
from asyncua.common.callback import CallbackType

from adapters.kit import Rig
from adapters.kit.conformance import eventually
from adapters.kit.proxy import Proxy
from adapters.machine import job_number
from adapters.machine_reports import Value
from schemas.station import OptionValue, Signal, SignalKind
from tests.rigs.machine_values import MACHINE_UNSAID, values_of

_NODES = {
    "length_mm": ua.VariantType.Float,
    "width_mm": ua.VariantType.Double,
    "seal": ua.VariantType.Boolean,
    "job": ua.VariantType.UInt32,
    "job_text": ua.VariantType.String,
    "trigger": ua.VariantType.Boolean,
    "done_job": ua.VariantType.UInt32,
    "state": ua.VariantType.Int32,
    "pass_by": ua.VariantType.Boolean,
    "pass_code": ua.VariantType.String,
    "advanced": ua.VariantType.UInt16,
    "pulled": ua.VariantType.UInt32,
    "pulled_position": ua.VariantType.Byte,
    "supply_low": ua.VariantType.Boolean,
    "film_changed": ua.VariantType.UInt16,
    "fault": ua.VariantType.Int32,
    "item_measured": ua.VariantType.UInt16,
    "item_present": ua.VariantType.UInt16,
    "item_code": ua.VariantType.String,
    "item_length_mm": ua.VariantType.Float,
    "item_width_mm": ua.VariantType.Double,
    "item_height_mm": ua.VariantType.Double,
    "item_mass_g": ua.VariantType.UInt32,
}
_BROKEN = (ua.VariantType.Float, ua.VariantType.Double)
_FALSE = ("trigger", "seal", "supply_low", "pass_by")
_IDLE, _SUSPENDED, _HELD = 4, 5, 11


class MachineServer:
    """The server, once for all checks: its start loads the standard's nodes for seconds."""

    def __init__(self, set_up: Callable[[Server], Awaitable[None]] | None = None) -> None:
        self._set_up = set_up
        self.loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self.loop.run_forever, name="rig opcua")
        self.port = 0
        self.nodes: dict[str, ua.NodeId] = {}
        self.bags: list[str] = []
        self.sizes: list[tuple[float, float]] = []
        self.passed: list[str] = []
        self.on_trigger: Callable[[], bool] = bool

    def start(self) -> None:
        self._thread.start()
        self._await(self._start())

    def stop(self) -> None:
        self._await(self._stop())
        self.loop.call_soon_threadsafe(self.loop.stop)
        self._thread.join()
        self.loop.close()

    def put(self, name: str, value: object) -> None:
        """Set a value from any thread."""
        self._await(self._write(name, value))

    def _await(self, work: Coroutine[None, None, None]) -> None:
        asyncio.run_coroutine_threadsafe(work, self.loop).result(60)

    async def _start(self) -> None:
        server = self._server = Server()
        await server.init()
        server.set_endpoint("opc.tcp://127.0.0.1:0/")
        server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        if self._set_up is not None:
            await self._set_up(server)
        space = await server.register_namespace("urn:bag-machine")
        machine = await server.nodes.objects.add_object(ua.NodeId("Machine", space), "Machine")
        for name, sort in _NODES.items():
            first = {"job_text": "", "item_code": "", "pass_code": "", "state": _IDLE}.get(name, 0)
            first = False if name in _FALSE else first
            node = await machine.add_variable(ua.NodeId(name, space), name, first, varianttype=sort)
            await node.set_writable()
            self.nodes[name] = node.nodeid
        server.subscribe_server_callback(CallbackType.PreWrite, self._before_write)
        await server.start()
        self.port = server.bserver._server.sockets[0].getsockname()[1]
        self._task = asyncio.create_task(self._run())

    async def _stop(self) -> None:
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
        await self._server.stop()

    async def _write(self, name: str, value: object) -> None:
        node = self._server.get_node(self.nodes[name])
        await node.write_value(ua.Variant(value, _NODES[name]))

    def _before_write(self, event: Any, _dispatcher: object) -> None:
        for wanted in event.request_params.NodesToWrite:
            triggers = wanted.NodeId == self.nodes["trigger"] and wanted.Value.Value.Value is True
            if triggers and self.on_trigger():
                wanted.NodeId = ua.NodeId("nowhere", 2)

    async def _run(self) -> None:
        node = {name: self._server.get_node(node_id) for name, node_id in self.nodes.items()}
        while True:
            await asyncio.sleep(0.005)
            if await node["pass_by"].read_value():
                self.passed.append(await node["pass_code"].read_value())
                await self._write("pass_by", False)
            if await node["trigger"].read_value():
                name = await node["job_text"].read_value()
                size = [float(await node[of].read_value()) for of in ("width_mm", "length_mm")]
                self.sizes.append((size[0], size[1]))
                await self._write("trigger", False)
                self.bags.append(name)
                await self._write("done_job", job_number(name))


class OpcUaRig(Rig):
    """Each trigger makes one bag. Faults of the line are made in front of the server."""

    server: ClassVar[MachineServer]
    unsaid = MACHINE_UNSAID

    def __init__(self) -> None:
        self._proxy: Proxy | None = None
        self._next = ""
        self._front = 0
        self._serial = 1000

    async def start(self) -> None:
        self._loop = asyncio.get_running_loop()
        self.server.bags.clear()
        self.server.sizes.clear()
        self.server.passed.clear()
        self.server.put("state", _IDLE)
        self._counts: Counter[str] = Counter()
        self.put(dict.fromkeys(("advanced", "pulled", "film_changed"), 0))
        self.put(dict.fromkeys(("item_measured", "item_present", "supply_low", "fault"), 0))
        self.server.on_trigger = self._on_trigger
        await self.on()

    async def stop(self) -> None:
        await self.off()

    def options(self) -> Mapping[str, OptionValue]:
        return {
            "url": f"opc.tcp://127.0.0.1:{self._front}/",
            "nodes": {name: node.to_string() for name, node in self.server.nodes.items()},
            "answer_s": 0.5,
            "make_s": 0.5,
            "watch_s": 0.01,
        }

    async def printed(self, at_least: int) -> tuple[str, ...]:
        await eventually(lambda: len(self.server.bags) >= at_least, f"fewer than {at_least} bags")
        return tuple(self.server.bags)

    async def on(self) -> None:
        self._proxy = Proxy("127.0.0.1", self.server.port)
        await self._proxy.start(self._front)
        self._front = self._proxy.address[1]

    async def off(self) -> None:
        proxy, self._proxy = self._proxy, None
        if proxy is not None:
            await proxy.stop()

    def cut_next(self, after_bytes: int) -> None:
        self._next = "cut"

    def lose_next_answer(self) -> None:
        self._next = "lose"

    def silent(self) -> None:
        assert self._proxy is not None
        self._proxy.flows.clear()

    def slow(self) -> None:
        assert self._proxy is not None
        self._proxy.delay_s = 0.005

    def needs_person(self) -> None:
        self.server.put("state", _HELD)

    def heal(self) -> None:
        assert self._proxy is not None
        self._proxy.flows.set()
        self._proxy.delay_s, self._next = 0, ""
        self.server.put("state", _IDLE)

    def report(self, signal: Signal) -> None:
        if signal.kind is SignalKind.STATE:
            self.server.put("state", _SUSPENDED)
        elif signal.kind is SignalKind.SEALED:
            self._serial += 1
            self.server.put("done_job", self._serial)
        else:
            self.put(values_of(signal, self._counts))

    def put(self, values: Mapping[str, Value]) -> None:
        """Write values as the machine's own program does, in this order."""
        for name, value in values.items():
            whole = _NODES[name] not in _BROKEN and not isinstance(value, str)
            kept: object = bool(value) if name in _FALSE else int(value) if whole else value
            self.server.put(name, kept)

    def made(self) -> tuple[tuple[float, float], ...]:
        return tuple(self.server.sizes)

    def passed(self) -> tuple[str, ...]:
        return tuple(self.server.passed)

    def lines(self) -> int:
        return 0 if self._proxy is None else self._proxy.lines

    def _on_trigger(self) -> bool:
        """Called in the server's thread; true when the trigger must not be seen."""
        how, self._next = self._next, ""
        if how and self._proxy is not None:
            done = threading.Event()
            self._loop.call_soon_threadsafe(self._reset, done)
            done.wait(2)
        return how == "cut"

    def _reset(self, done: threading.Event) -> None:
        if self._proxy is not None:
            self._proxy.reset()
        done.set()
