"""All lanes of this process: started, leased, woken, listened to and stopped together."""

import asyncio
import math
from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import suppress

import structlog

from adapters.contract import PassesBy, StationLine, TakesReports
from adapters.errors import StationFault
from gateway.clock import Clock
from gateway.dispatch import lease as leases
from gateway.dispatch.lane import Lane
from gateway.dispatch.lane_view import LaneView
from gateway.dispatch.lease import Lease
from gateway.dispatch.station_state import known_state
from gateway.errors import GatewayError, NotFound, NotStored, OldReport
from gateway.metrics import Metrics
from gateway.store.store import EVERY_LANE, Store
from gateway.store.work import Work
from schemas.ledger import EntryKind
from schemas.station import MachineState, Signal, SignalKind, Station

log = structlog.get_logger(__name__)

LEASE_S = 6.0
RENEW_S = 2.0
LISTEN_AGAIN_S = 1.0

STORE_AGAIN_S = 0.5

OnSignal = Callable[[Station, Signal, int], Awaitable[str | None]]
"""Takes a signal with the count of the connection that it came by."""


class Dispatcher:
    """Runs one lane for each station whose lease this process holds."""

    def __init__(
        self,
        owner: str,
        stations: Mapping[str, tuple[Station, StationLine]],
        store: Store,
        clock: Clock,
        metrics: Metrics,
        on_signal: OnSignal,
    ) -> None:
        self.owner = owner
        self._store = store
        self._clock = clock
        self._on_signal = on_signal
        self._leases: dict[str, Lease] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._stop = asyncio.Event()
        self._connections = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._lanes = {
            name: Lane(station, adapter, store, clock, metrics, self._lease_of(name))
            for name, (station, adapter) in stations.items()
        }

    def _lease_of(self, station: str) -> Callable[[], Lease | None]:
        def current() -> Lease | None:
            lease = self._leases.get(station)
            if lease is None or self._clock.monotonic() >= lease.good_until:
                return None
            return lease

        return current

    def view(self, station: str) -> LaneView:
        """What the station's lane is doing in this process."""
        return self._lanes[station].view

    async def report(self, station: str, signature: str, body: bytes) -> None:
        """Take a signed report of a station: what returns is kept, whichever process listens.

        Raises `NotFound`, the adapter's `Refused`, or `NotStored`.
        """
        lane = self._lanes.get(station)
        if lane is None or not isinstance(lane.adapter, TakesReports):
            raise NotFound(f"There is no station {station!r} that reports over HTTP.")
        signal = lane.adapter.read_report(signature, body)
        async with lane.reporting:
            await self._take_signal(lane, signal, 0, patient=False)

    def owns(self, station: str) -> bool:
        """Whether this process sends to the station now."""
        return self._lease_of(station)() is not None

    async def start(self) -> None:
        """Take leases and start every lane."""
        self._loop = asyncio.get_running_loop()
        self._store.on_wake(self._wake_from_any_thread)
        self._store.follow(self._hand_over)
        await self._renew()
        if self._store.shared:
            self._spawn(self._keep_leases(), "leases")
        for name, lane in self._lanes.items():
            self._spawn(lane.run(), f"lane {name}")
            self._spawn(self._listen(lane), f"signals {name}")

    async def stop(self, within_s: float = 10.0) -> None:
        """Let every lane finish what it is sending, then hand the leases back."""
        self._stop.set()
        for lane in self._lanes.values():
            lane.stop()
        if self._tasks:
            _, late = await asyncio.wait(self._tasks, timeout=within_s)
            for task in late:
                task.cancel()
            if late:
                await asyncio.wait(late)
        with suppress(GatewayError):
            await self._store.write(lambda work: leases.give_up(work, self.owner))

    def wake(self, station: str) -> None:
        """There may be work for a station; called on the loop."""
        lane = self._lanes.get(station)
        if lane is not None:
            lane.wake()

    def _wake_from_any_thread(self, stations: frozenset[str]) -> None:
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._wake_all, stations)

    def _wake_all(self, stations: frozenset[str]) -> None:
        for station in self._lanes if EVERY_LANE in stations else stations:
            self.wake(station)

    def _hand_over(self, work: Work, recorded: Sequence[Mapping[str, object]]) -> None:
        """Let idle lanes take what a step has queued for them, in the same step."""
        for entry in recorded:
            if entry["kind"] == EntryKind.JOB_CREATED:
                lane = self._lanes.get(str(entry["station"]))
                if lane is not None:
                    lane.take_within(work)

    def _spawn(self, work: Awaitable[None], name: str) -> None:
        task = asyncio.ensure_future(work)
        if isinstance(task, asyncio.Task):
            task.set_name(name)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _keep_leases(self) -> None:
        while not self._stop.is_set():
            with suppress(TimeoutError):
                async with asyncio.timeout(RENEW_S):
                    await self._stop.wait()
                    return
            try:
                await self._renew()
            except GatewayError as failure:
                log.warning("leases.not_renewed", text=failure.detail)

    async def _renew(self) -> None:
        asked = self._clock.monotonic()
        epochs = await self._store.write(
            lambda work: leases.renew(
                work,
                self.owner,
                self._lanes,
                seconds=LEASE_S,
                at=self._store.shared_now(work),
                alone=not self._store.shared,
            )
        )
        # one that ran out meanwhile counts as lost: its lane sleeps and must be woken
        held = {name: lease.epoch for name, lease in self._leases.items() if self.owns(name)}
        until = asked + LEASE_S if self._store.shared else math.inf
        lost = self._leases.keys() - epochs.keys()
        self._leases = {
            station: Lease(station, self.owner, epoch, until) for station, epoch in epochs.items()
        }
        for name, epoch in epochs.items():
            if held.get(name) == epoch:
                self._lanes[name].while_leased.renewed(until - self._clock.monotonic())
            else:
                self.wake(name)
        for name in lost:
            self.wake(name)

    async def _listen(self, lane: Lane) -> None:
        """Hand on what the station reports, and listen again when its line was lost."""
        while not self._stop.is_set():
            if self.owns(lane.station.id):
                await self._listen_once(lane)
            with suppress(TimeoutError):
                async with asyncio.timeout(LISTEN_AGAIN_S):
                    await self._stop.wait()

    async def _listen_once(self, lane: Lane) -> None:
        stopped = asyncio.ensure_future(self._stop.wait())
        listening = asyncio.ensure_future(self._hand_on(lane))
        try:
            await asyncio.wait({stopped, listening}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (stopped, listening):
                task.cancel()
            await asyncio.gather(stopped, listening, return_exceptions=True)

    async def _hand_on(self, lane: Lane) -> None:
        self._connections += 1
        connection = self._connections
        try:
            await lane.open()
            await self._reached_again(lane, connection)
            lane.line_opened()
            async for signal in lane.adapter.signals():
                if not self.owns(lane.station.id):
                    # another gateway listens now: a bag that advanced would count twice
                    return
                await self._take_signal(lane, signal, connection)
        except StationFault as fault:
            log.debug("signals.ended", station=lane.station.id, text=fault.what)
        except NotStored as failure:
            log.warning("signals.wait", station=lane.station.id, text=failure.detail)
        except Exception:
            log.exception("signals.broke", station=lane.station.id)

    async def _reached_again(self, lane: Lane, connection: int) -> None:
        """A station whose line is open is not "not reached" any more, whatever else it is."""
        known = await self._store.read(lambda conn: known_state(conn, lane.station.id))
        if known.machine_state is MachineState.OFFLINE and self.owns(lane.station.id):
            back = Signal(kind=SignalKind.STATE, state=MachineState.UNKNOWN)
            await self._take_signal(lane, back, connection)

    async def _take_signal(
        self, lane: Lane, signal: Signal, connection: int, *, patient: bool = True
    ) -> None:
        """Hand one signal on, again while the store takes nothing: the row follows from them.

        Goods at the infeed that are not to be packed, whatever the reason, are told to pass.
        """
        station = lane.station
        while True:
            no_go: str | None
            try:
                no_go = await self._on_signal(station, signal, connection)
                lane.view.takes(signal)
            except NotStored as failure:
                if not patient:
                    raise
                log.warning("signal.waits", station=station.id, text=failure.detail)
                with suppress(TimeoutError):
                    async with asyncio.timeout(STORE_AGAIN_S):
                        await self._stop.wait()
                        raise
                continue
            except OldReport:
                if not patient:
                    raise
                return
            except GatewayError as refused:
                log.warning(
                    "signal.refused",
                    station=station.id,
                    signal=signal.kind.value,
                    text=refused.detail,
                )
                lane.view.refuses(signal, refused)
                no_go = refused.detail if signal.kind is SignalKind.ITEM_PRESENT else None
            if no_go is None:
                return
            passing = _pass_by(lane, signal.code, no_go)
            if patient:
                await passing
            else:  # the station waits for the answer to its report, and may serve nothing before
                self._spawn(passing, f"pass by {station.id}")
            return


async def _pass_by(lane: Lane, code: str, reason: str) -> None:
    adapter = lane.adapter
    if not (adapter.claims.passes_by and isinstance(adapter, PassesBy)):
        log.warning("item.no_go_unheard", station=lane.station.id, text=reason)
        return
    try:
        async with asyncio.timeout(adapter.claims.state_within_s):
            await adapter.pass_by(code, reason)
        log.info("item.no_go", station=lane.station.id, text=reason)
    except (StationFault, TimeoutError) as fault:
        log.warning("item.no_go_failed", station=lane.station.id, error=type(fault).__name__)
