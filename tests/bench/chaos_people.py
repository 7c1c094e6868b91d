"""The people of the chaos run: they scan at each station, and look at labels that are in doubt.

They stand outside of every gateway. One who gets no answer, or 503, asks the next gateway, with the
same event. What they were told is accepted, they remember.
"""

import asyncio
import json
import random
import time
from collections.abc import Callable, Sequence
from typing import Any

import httpx

from tests.rigs.broker_ends import Publisher
from tests.rigs.gateway_process import GatewayProcess
from tests.rigs.room import Room
from tests.rigs.shared_site import scan_event

ANSWER_S = 4.0
LOOK_AFTER_S = 1.0
"""Whoever is asked about a label waits this long for what is still on its way."""
_LOOK_EVERY_S = 0.5


class People:
    """Everybody in the room."""

    def __init__(
        self,
        stations: Sequence[str],
        by_broker: frozenset[str],
        gateways: Sequence[GatewayProcess],
        rooms: Sequence[Room],
        publisher: Publisher,
        chance: random.Random,
        every_s: float,
    ) -> None:
        self.accepted: dict[str, list[str]] = {name: [] for name in stations}
        self.sent_again = 0
        self.answered_in_s: list[float] = []
        self.wrong: list[str] = []
        self._by_broker = by_broker
        self._gateways = gateways
        self._rooms = rooms
        self._publisher = publisher
        self._chance = chance
        self._every_s = every_s
        self._over = asyncio.Event()
        self._client = httpx.AsyncClient(
            trust_env=False, timeout=ANSWER_S, limits=httpx.Limits(max_keepalive_connections=64)
        )
        self._scanning: list[asyncio.Task[None]] = []
        self._looking: asyncio.Task[None] | None = None
        self._held: set[str] = set()
        self._settling: dict[str, asyncio.Task[None]] = {}

    def begin(self) -> None:
        """Go to work."""
        self._scanning = [asyncio.create_task(self._scan(name)) for name in self.accepted]
        self._looking = asyncio.create_task(self._look())

    async def finish(self) -> None:
        """Scan nothing new; each ends once the last scan was accepted."""
        self._over.set()
        await asyncio.gather(*self._scanning)

    async def go_home(self) -> None:
        """Look at no more labels."""
        tasks = [*self._scanning, *self._settling.values()]
        tasks += [self._looking] if self._looking else []
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._client.aclose()

    async def ask(self, path: str) -> Any:
        """Ask a gateway that answers."""
        while True:
            try:
                answer = await self._client.get(f"{self._any().url}{path}")
                if answer.is_success:
                    return answer.json()
            except httpx.TransportError:
                pass
            await asyncio.sleep(0.1)

    def _any(self) -> GatewayProcess:
        return self._chance.choice(self._gateways)

    # Scanning

    async def _scan(self, name: str) -> None:
        hand_in = self._put if name in self._by_broker else self._post
        await self._pause(self._chance.uniform(0, self._every_s))
        while not self._over.is_set():
            order_id = f"{name}-{len(self.accepted[name]) + 1}"
            event = scan_event(name, order_id)
            began = time.monotonic()
            while not await hand_in(event):
                self.sent_again += 1
                await asyncio.sleep(0.1)
            self.answered_in_s.append(time.monotonic() - began)
            self.accepted[name].append(order_id)
            await self._pause(self._chance.uniform(0.5, 1.5) * self._every_s)

    async def _pause(self, seconds: float) -> None:
        try:
            async with asyncio.timeout(seconds):
                await self._over.wait()
        except TimeoutError:
            return

    async def _post(self, event: dict[str, Any]) -> bool:
        try:
            answer = await self._client.post(
                f"{self._any().url}/v1/events",
                json=event,
                headers={"content-type": "application/cloudevents+json"},
            )
        except httpx.TransportError:
            return False
        if answer.status_code not in (202, 503):
            self.wrong.append(f"{event['id']}: {answer.status_code} {answer.text[:300]}")
        return answer.status_code == 202

    async def _put(self, event: dict[str, Any]) -> bool:
        return await self._publisher.put(json.dumps(event).encode())

    # Doubts

    async def _look(self) -> None:
        """Ask what waits for a person, and send one to each label in doubt."""
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            work = await self.ask("/v1/waiting")
            for job in work["jobs"]:
                if job["job_id"] not in self._settling:
                    self._settling[job["job_id"]] = asyncio.create_task(self._settle(job))
            for hold in work["holds"]:
                if hold["station"] not in self._held:
                    self._held.add(hold["station"])
                    self.wrong.append(f"{hold['station']} is held: {hold['held']}")

    async def _settle(self, job: dict[str, Any]) -> None:
        job_id = job["job_id"]
        try:
            if job["state"] != "in_doubt":
                self.wrong.append(f"{job_id} is {job['state']}: {job['note']}")
                return
            codes = (await self.ask(f"/v1/jobs/{job_id}"))["expected_scans"]
            await asyncio.sleep(LOOK_AFTER_S)
            seen = self.came_out(job["station"], codes[0])
            said = {"answer": "printed" if seen else "not_printed", "reason": "looked", "by": "T"}
            await self._client.post(f"{self._any().url}/v1/jobs/{job_id}/settle", json=said)
        except httpx.TransportError:
            pass
        finally:
            del self._settling[job_id]

    def came_out(self, station: str, code: str) -> bool:
        """Whether a label with the code lies at the station."""
        for room in self._rooms:
            if station in room.printed:
                room.look()
                return code in room.printed[station]
        return False


async def until_true(look: Callable[[], Any], within_s: float, every_s: float = 0.5) -> bool:
    """Whether `look` came to be true in time."""
    ends = time.monotonic() + within_s
    while time.monotonic() < ends:
        if await look():
            return True
        await asyncio.sleep(every_s)
    return False
