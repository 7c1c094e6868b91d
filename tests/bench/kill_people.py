"""The people of the kill run: they scan orders, look at what is in doubt, and verify finished bags.

Each goes on until what they said was answered, as people do whose screen shows an error.
"""

import asyncio
import random
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import httpx

from adapters.simulator import SimulatedStation
from adapters.simulator.cycle import Bag
from schemas.station import Signal, SignalKind
from tests.bench.kill_stations import FarEnd
from tests.rigs.shared_site import scan_of

LOOK_AFTER_S = 0.4
"""Somebody who is asked about a label waits this long for what is still on its way."""
PATIENCE_S = 8.0
"""So long the station is left to answer for itself."""
AGAIN_S = 0.15
"""Between two tries while the gateway is dead: a busier room only slows its start."""
AT_ONCE = 8
"""Orders that wait at a station before the next is scanned."""
WRONG_SCANS = ("a code of nobody", "neighbour")

Url = Callable[[], str]


@dataclass(slots=True)
class Told:
    """What the people saw and did at one station."""

    accepted: list[str] = field(default_factory=list)
    sent_again: int = 0
    matches: int = 0
    wrong_scans: int = 0
    thrown_away: int = 0
    cleared: int = 0
    odd: list[str] = field(default_factory=list)


class People:
    """Everybody who works at one station."""

    def __init__(
        self, name: str, far_end: FarEnd, url: Url, chance: random.Random, over: asyncio.Event
    ) -> None:
        self.told = Told()
        self._name, self._far_end, self._url = name, far_end, url
        self._chance, self._over = chance, over
        self._stuck_since = 0.0
        self._read_by_line = 0
        """Number of the bag that the station's own scanner read last."""

    async def scan_orders(self) -> None:
        """One order after the other; each until it is answered 202."""
        number = 0
        async with _client() as client:
            while not self._over.is_set():
                if await self._waiting() >= AT_ONCE:
                    await asyncio.sleep(0.05)
                    continue
                number += 1
                order_id = f"{self._name}-{number}"
                await self._send(client, "order.scanned", order_id, scan_of(order_id))
                self.told.accepted.append(order_id)
                await asyncio.sleep(self._chance.uniform(0, 0.1))

    async def _waiting(self) -> int:
        labels, bags = await self._far_end.labels(), await self._far_end.bags()
        return len(self.told.accepted) - len(set(labels if bags is None else bags))

    async def look_at_doubts(self) -> None:
        """Go to the station, look whether the label is there, and say so."""
        asked: dict[str, float] = {}
        async with _client() as client:
            while True:
                await asyncio.sleep(AGAIN_S)
                view = await self._view(client)
                if view is None:
                    continue
                await self._clear_the_printer(view["waits_for"])
                if not view["in_doubt"]:
                    continue
                since = asked.setdefault(view["in_doubt"], time.monotonic())
                if "tell" not in view["waits_for"] and time.monotonic() < since + PATIENCE_S:
                    continue  # the station is asked first
                await asyncio.sleep(LOOK_AFTER_S)
                job = await _got(client, f"{self._url()}/v1/jobs/{view['in_doubt']}")
                if job is None:
                    continue
                seen = await self._far_end.shows(job)
                answer = "printed" if seen else "not_printed"
                await self._act(client, f"/v1/jobs/{job['job_id']}/settle", answer=answer)

    async def _clear_the_printer(self, waits_for: str) -> None:
        """A killed gateway left half a label in its memory: switch it off and on again."""
        stuck = "left in it" in waits_for
        self._stuck_since = (self._stuck_since or time.monotonic()) if stuck else 0.0
        if stuck and time.monotonic() > self._stuck_since + PATIENCE_S:
            self._stuck_since = 0.0
            self.told.cleared += 1
            await self._far_end.switch_off_and_on()

    async def verify_bags(self) -> None:
        """Scan the bag at the loading place, load it, and seal it once it is the right one."""
        machine = self._far_end.machine
        assert machine is not None
        async with _client() as client:
            while True:
                await asyncio.sleep(0.01)
                bag = machine.row()[0]
                if bag is None and self._over.is_set():
                    await self._bring_the_last(client, machine)
                if bag is None:
                    continue
                if self._chance.random() < 0.1:
                    await self._scan_wrongly(client, machine.row())
                if await self._scan_right(client, machine, bag):
                    machine.seal()

    async def _bring_the_last(self, client: httpx.AsyncClient, machine: SimulatedStation) -> None:
        """At the end of the day no print moves the row any more: move it by hand."""
        await asyncio.sleep(AGAIN_S)
        if not any(machine.row()) or not machine.listeners:
            return
        view = await self._view(client)
        if view is None or view["lane_length"] or view["sending"] or view["in_doubt"]:
            return
        if machine.row()[0] is not None:
            return  # one was printed meanwhile: it would leave unscanned
        there = [at for at, bag in enumerate(machine.row()) if bag is not None]
        if there == [bag["position"] for bag in view["row"]]:
            machine.advance()
            await asyncio.sleep(0.2)

    async def _scan_right(
        self, client: httpx.AsyncClient, machine: SimulatedStation, bag: Bag
    ) -> bool:
        """Whether the bag may go: it is verified, or it is thrown away."""
        verdict = None
        if machine.listeners and self._chance.random() < 0.5:
            verdict = await self._by_the_line(client, machine, bag.codes[0])
        if verdict is None:
            event_id = f"{self._name}-bag-{bag.number}-{self._chance.random()}"
            data = {"code": bag.codes[0]}
            scan = (await self._send(client, "label.scanned", event_id, data))["scan"]
            held = scan["verdict"] == "match" and scan["holds_station"]
            verdict = "held" if held else str(scan["verdict"])
        await self._release(client)
        return self._may_go(verdict, bag)

    def _may_go(self, verdict: str, bag: Bag) -> bool:
        match verdict:
            case "match":
                self.told.matches += 1
            case "repeat" if bag.number == self._read_by_line:
                self.told.matches += 1
            case "repeat" | "old_label":
                # This label exists twice, and the other one left before it.
                self.told.thrown_away += 1
            case "held" | "other_order" | "nothing_expected" | "shifted":
                # Out before the gateway knows of it: it will, by asking or by being told.
                return False
            case _:
                self.told.odd.append(f"bag {bag.number} with {bag.codes[0]}: {verdict}")
        return True

    async def _by_the_line(
        self, client: httpx.AsyncClient, machine: SimulatedStation, code: str
    ) -> str | None:
        """The station's own scanner reads it; nothing where that got lost with the gateway."""
        bag = machine.row()[0]
        assert bag is not None
        self._read_by_line = bag.number
        machine.report(Signal(kind=SignalKind.SCAN, code=code, position=0))
        for _ in range(100):
            view = await self._view(client)
            last = view["last_scan"] if view else None
            if last and last["code"] == code:
                held = last["verdict"] == "match" and view is not None and view["held"]
                return "held" if held else str(last["verdict"])
            await asyncio.sleep(0.02)
        return None

    async def _scan_wrongly(self, client: httpx.AsyncClient, row: tuple[Bag | None, ...]) -> None:
        """The trigger is pulled at something else: the station must stop, and is let go on."""
        neighbours = [bag.codes[0] for bag in row[1:] if bag is not None]
        what = self._chance.choice(WRONG_SCANS)
        code = self._chance.choice(neighbours) if what == "neighbour" and neighbours else what
        event_id = f"{self._name}-wrong-{self._chance.random()}"
        scan = (await self._send(client, "label.scanned", event_id, {"code": code}))["scan"]
        self.told.wrong_scans += 1
        if scan["verdict"] in ("match", "repeat") or not scan["holds_station"]:
            self.told.odd.append(f"a wrong code was taken: {scan}")
        await self._release(client)

    async def _release(self, client: httpx.AsyncClient) -> None:
        """Let the station go on where it is held; until it is not."""
        while True:
            view = await self._view(client)
            if view is not None:
                if view["held"] is None:
                    return
                await self._act(client, f"/v1/stations/{self._name}/release")
            await asyncio.sleep(AGAIN_S)

    async def _send(
        self, client: httpx.AsyncClient, type_: str, event_id: str, data: Mapping[str, Any]
    ) -> dict[str, Any]:
        """Post one event again and again until it is answered 202; the answer."""
        event = {
            "specversion": "1.0",
            "id": event_id,
            "source": "/kill-run",
            "type": f"bagrelay.{type_}.v1",
            "data": {"station": self._name, **data},
        }
        while True:
            try:
                answer = await client.post(
                    f"{self._url()}/v1/events",
                    json=event,
                    headers={"content-type": "application/cloudevents+json"},
                )
                if answer.status_code == 202:
                    accepted: dict[str, Any] = answer.json()
                    return accepted
                if answer.status_code != 503:
                    self.told.odd.append(f"{event_id}: {answer.status_code} {answer.text}")
            except httpx.TransportError:
                pass
            self.told.sent_again += 1
            await asyncio.sleep(AGAIN_S)

    async def _view(self, client: httpx.AsyncClient) -> dict[str, Any] | None:
        return await _got(client, f"{self._url()}/v1/stations/{self._name}")

    async def _act(self, client: httpx.AsyncClient, path: str, **said: str) -> bool:
        body = {"reason": "looked at it", "by": "Tester", **said}
        try:
            return (await client.post(f"{self._url()}{path}", json=body)).is_success
        except httpx.TransportError:
            return False


def _client() -> httpx.AsyncClient:
    return httpx.AsyncClient(trust_env=False, timeout=5)


async def _got(client: httpx.AsyncClient, url: str) -> dict[str, Any] | None:
    try:
        answer = await client.get(url)
        found: dict[str, Any] | None = answer.json() if answer.is_success else None
    except (httpx.TransportError, ValueError):
        return None
    return found
