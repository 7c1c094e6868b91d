"""The people of the demo: each works one station: scans, loads, scans labels, settles faults."""

import asyncio
import itertools
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import httpx
from orders import Fault, Planned
from stage import Room, WatchedStation

from adapters.simulator.faults import Fault as StationFault
from adapters.simulator.faults import FaultKind
from schemas.station import Signal, SignalKind

PATIENCE_S = 60.0
LOOK_AGAIN_S = 0.01


class Stuck(Exception):
    """Something that should have happened did not."""


@dataclass(slots=True)
class Tally:
    """What the people saw with their own eyes, to be held against the ledger."""

    scanned: int = 0
    manual: list[str] = field(default_factory=list)
    not_found: list[str] = field(default_factory=list)
    verified: list[str] = field(default_factory=list)
    repeats_recognised: int = 0
    problems: list[str] = field(default_factory=list)


class Worker:
    """One person at one station."""

    def __init__(
        self, room: Room, station: str, client: httpx.AsyncClient, done: Callable[[], None]
    ) -> None:
        self.tally = Tally()
        self._room = room
        self._station = station
        self._machine: WatchedStation = room.stations[station]
        self._ahead = next(s for s in room.site.station if s.id == station).bags_ahead
        self._hands_free = next(s for s in room.site.station if s.id == station).measures_items
        self._client = client
        self._done = done
        self._numbers = itertools.count(1)
        self._outstanding = 0
        self._fault: Fault | None = None
        self._another_code = ""

    async def work(self, day: list[Planned]) -> None:
        """Scan everything that is planned for this station and see each bag off."""
        for planned in day:
            await self._prepare(planned)
            await self._scan(planned)
            await self._see_off(down_to=self._ahead)
            self._done()
        await self._see_off(down_to=0)

    async def _prepare(self, planned: Planned) -> None:
        match planned.fault:
            case Fault.STATION_OFF:
                self._machine.off()
                asyncio.get_running_loop().call_later(1.2, self._machine.on)
            case Fault.CUT_MID_LABEL:
                self._machine.inject(StationFault(FaultKind.CUT, after_bytes=300))
            case Fault.WRONG_LABEL | Fault.BAG_PULLED:
                self._fault = planned.fault
            case _:
                pass

    async def _scan(self, planned: Planned) -> None:
        self.tally.scanned += 1
        if self._hands_free:
            await self._item_arrives(planned)
            return
        event = self._event("bagrelay.order.scanned.v1", self._scan_data(planned))
        started = time.monotonic()
        answer = await self._send(event)
        if planned.order is not None:
            self._room.scan_started[planned.order.order_id] = started
        self._note(planned, answer)
        if planned.fault is Fault.EVENT_TWICE:
            again = await self._send(event)
            self._expect(again["repeated"] is True, "a repeated event was not recognised")
        if planned.fault is Fault.SCANNED_TWICE:
            again = await self._send(
                self._event("bagrelay.order.scanned.v1", self._scan_data(planned))
            )
            self._expect(
                again["outcome"] in ("already_in_work", "already_packed", "manual"),
                "a second scan was taken for a new order",
            )

    def _scan_data(self, planned: Planned) -> dict[str, object]:
        data: dict[str, object] = {"station": self._station, "code": planned.code}
        if planned.order is not None and planned.order_in_event:
            data["order"] = planned.order.model_dump(mode="json", exclude_defaults=True)
        return data

    async def _item_arrives(self, planned: Planned) -> None:
        """The conveyor's scanner reads code and size; no person is needed."""
        assert planned.order is not None
        order_id = planned.order.order_id
        size = planned.measured.size.in_mm() if planned.measured else (None, None, None)
        signal = Signal(
            kind=SignalKind.ITEM_PRESENT,
            code=planned.code,
            length_mm=size[0],
            width_mm=size[1],
            height_mm=size[2],
        )
        await self._until(self._line_is_heard, f"the gateway to listen to {self._station}")
        self._room.scan_started[order_id] = time.monotonic()
        times = 2 if planned.fault in (Fault.EVENT_TWICE, Fault.SCANNED_TWICE) else 1
        for _ in range(times):
            self._machine.report(signal)
        story = await self._until(lambda: self._story(order_id), f"order {order_id} to be decided")
        outcome = story["decision"]["outcome"]
        self._note(
            planned,
            {
                "outcome": "queued" if outcome == "packed" else "manual",
                "parcel_ids": [parcel["parcel_id"] for parcel in story["parcels"]],
            },
        )

    async def _line_is_heard(self) -> "dict[str, object] | None":
        return {} if self._machine.listeners else None

    async def _story(self, order_id: str) -> "dict[str, object] | None":
        answer = await self._client.get(f"/v1/orders/{order_id}")
        return answer.json() if answer.status_code == 200 else None

    def _note(self, planned: Planned, answer: "dict[str, object]") -> None:
        name = planned.order.order_id if planned.order else planned.code
        match answer["outcome"]:
            case "queued":
                parcels = answer["parcel_ids"]
                assert isinstance(parcels, list)
                self._outstanding += len(parcels)
            case "manual":
                self.tally.manual.append(name)
            case "order_not_found":
                self.tally.not_found.append(name)
            case other:
                self.tally.problems.append(f"{name}: unexpected answer {other}")

    async def _see_off(self, *, down_to: int) -> None:
        """Load, scan and seal until no more bags are printed than may wait."""
        while self._outstanding > down_to:
            view = await self._until(self._something_to_do, f"{self._station} to have work")
            if view["held"]:
                await self._sort_out_hold(view)
            elif view["in_doubt"]:
                await self._look_at_doubt(str(view["in_doubt"]))
            elif view["load_now"]:
                await self._load(view)
            else:
                await self._feed_one()

    async def _something_to_do(self) -> "dict[str, object] | None":
        view = await self._view()
        if view["held"] or view["in_doubt"]:
            return view
        if view["load_now"] and self._machine.bag_to_load() is not None:
            return view
        row = view["row"]
        assert isinstance(row, list)
        all_printed = len(row) == self._outstanding
        return view if all_printed and not view["load_now"] else None

    async def _feed_one(self) -> None:
        """Nothing more comes: feed a blank bag so that the last printed one reaches the hands."""
        self._machine.advance()
        if not self._hears_signals():
            await self._send(self._event("bagrelay.bag.advanced.v1", {"station": self._station}))
        else:
            await self._until(self._at_hand, f"{self._station} to see its row advance")

    async def _at_hand(self) -> "dict[str, object] | None":
        view = await self._view()
        return view if view["load_now"] else None

    def _hears_signals(self) -> bool:
        station = next(s for s in self._room.site.station if s.id == self._station)
        return station.lines[0].kind == "simulated"

    async def _load(self, view: "dict[str, object]") -> None:
        """Put the goods of the order that is due into the bag that is really there; scan; seal."""
        bag = self._machine.bag_to_load()
        row = view["row"]
        assert bag is not None
        assert isinstance(row, list)
        if self._fault is Fault.WRONG_LABEL and self._another_code:
            self._machine.wrong_label(0, self._another_code)
            self._fault = None
        elif self._fault is Fault.BAG_PULLED and len(row) > 1:
            self._machine.pull(0, seen=False)
            self._fault = None
        bag = self._machine.bag_to_load()
        assert bag is not None
        result = await self._verify(bag.codes[0])
        if result["verdict"] == "match":
            self._another_code = bag.codes[0]
            self.tally.verified.append(str(result["order_id"]))
            self._machine.seal()
            self._outstanding -= 1

    async def _verify(self, code: str) -> "dict[str, object]":
        answer = await self._send(
            self._event("bagrelay.label.scanned.v1", {"station": self._station, "code": code})
        )
        scan = answer["scan"]
        assert isinstance(scan, dict)
        return scan

    async def _sort_out_hold(self, view: "dict[str, object]") -> None:
        """What a supervisor would do: repair a shifted row, or throw the wrong bag away."""
        held = view["held"]
        assert isinstance(held, dict)
        base = f"/v1/stations/{self._station}"
        said = {"reason": "looked at the bags", "by": "demo supervisor"}
        if held["kind"] == "shifted":
            plan = (await self._client.get(f"{base}/repair")).json()
            answer = await self._client.post(f"{base}/repair", json={**said, "void": plan["void"]})
            self._expect(answer.status_code == 200, f"the row was not repaired: {answer.text}")
            return
        job_id = view["load_now"]["job_id"]  # type: ignore[index]
        self._machine.pull(0, seen=False)
        await self._send(
            self._event(
                "bagrelay.bag.pulled.v1",
                {"station": self._station, "position": 0, "reason": "it bears a wrong label"},
            )
        )
        await self._client.post(f"{base}/release", json=said)
        answer = await self._client.post(f"/v1/jobs/{job_id}/reprint", json=said)
        self._expect(answer.status_code == 200, f"no reprint: {answer.text}")

    async def _look_at_doubt(self, job_id: str) -> None:
        """Look whether there is a printed bag more than the gateway knows of, and say so."""
        row = (await self._view())["row"]
        assert isinstance(row, list)
        came_out = sum(bag is not None for bag in self._machine.row()) > len(row)
        answer = await self._client.post(
            f"/v1/jobs/{job_id}/settle",
            json={
                "answer": "printed" if came_out else "not_printed",
                "reason": "looked at the printer",
                "by": "demo operator",
            },
        )
        self._expect(answer.status_code in (204, 409), f"the doubt was not settled: {answer.text}")

    async def _view(self) -> "dict[str, object]":
        answer = await self._client.get(f"/v1/stations/{self._station}")
        answer.raise_for_status()
        view: dict[str, object] = answer.json()
        return view

    async def _send(self, event: "dict[str, object]") -> "dict[str, object]":
        """Post an event; come again when the gateway says that it can't take it now."""
        ends = time.monotonic() + PATIENCE_S
        while True:
            answer = await self._client.post(
                "/v1/events",
                json=event,
                headers={"content-type": "application/cloudevents+json"},
            )
            if answer.status_code == 503 and time.monotonic() < ends:
                await asyncio.sleep(0.2)
                continue
            if answer.status_code != 202:
                raise Stuck(f"{self._station}: {answer.status_code} {answer.text}")
            accepted: dict[str, object] = answer.json()
            self.tally.repeats_recognised += accepted["repeated"] is True
            return accepted

    def _event(self, type_: str, data: "dict[str, object]") -> "dict[str, object]":
        return {
            "specversion": "1.0",
            "id": f"{self._station}-{next(self._numbers)}",
            "source": f"/demo/{self._station}/screen",
            "type": type_,
            "data": data,
        }

    async def _until(self, look: "Callable[[], object]", what: str) -> "dict[str, object]":
        ends = time.monotonic() + PATIENCE_S
        while time.monotonic() < ends:
            seen = await look()  # type: ignore[misc]
            if seen is not None:
                return seen  # type: ignore[no-any-return]
            await asyncio.sleep(LOOK_AGAIN_S)
        raise Stuck(f"waited {PATIENCE_S:g} s for {what}")

    def _expect(self, true: bool, problem: str) -> None:
        if not true:
            self.tally.problems.append(f"{self._station}: {problem}")
