"""The port over memory: what a broker does, with nothing that a network adds."""

import asyncio
from collections import deque
from collections.abc import AsyncIterator

from gateway.queues.port import STRUCTURED, BrokerDown, Delivery


class MemoryBroker:
    """Queues by name; a message in hand goes back to the front when its reader goes."""

    def __init__(self) -> None:
        self.queues: dict[str, deque[bytes]] = {}
        self.dead: list[tuple[bytes, str, str]] = []
        self.changed = asyncio.Event()
        self.up = True

    def put(self, name: str, *bodies: bytes) -> None:
        """Publish."""
        self.queues.setdefault(name, deque()).extend(bodies)
        self.changed.set()

    def source(self, name: str, dead: str, prefetch: int) -> "MemorySource":
        """A reader."""
        del dead
        return MemorySource(self, name, prefetch)


class MemorySource:
    """One reader of a memory queue."""

    def __init__(self, broker: MemoryBroker, name: str, prefetch: int) -> None:
        self._broker, self._name, self._prefetch = broker, name, prefetch
        self._in_hand: dict[int, bytes] = {}
        self._count = 0
        self._closed = False
        self.acknowledged: list[bytes] = []

    async def open(self) -> None:
        if not self._broker.up:
            raise BrokerDown("the memory is away")
        self._broker.queues.setdefault(self._name, deque())

    async def deliveries(self) -> AsyncIterator[Delivery]:
        queue = self._broker.queues[self._name]
        while not self._closed and self._broker.up:
            if queue and len(self._in_hand) < self._prefetch:
                self._count += 1
                body = self._in_hand[self._count] = queue.popleft()
                yield Delivery(body, {"content-type": STRUCTURED}, 1, self._count)
                continue
            self._broker.changed.clear()
            await self._broker.changed.wait()
        raise BrokerDown("the connection was lost")

    async def ack(self, delivery: Delivery) -> None:
        self.acknowledged.append(self._taken(delivery))

    async def later(self, delivery: Delivery, delay_s: float) -> None:
        body = self._taken(delivery)
        await asyncio.sleep(delay_s)
        self._broker.put(self._name, body)

    async def dead(self, delivery: Delivery, problem: str, reason: str) -> None:
        self._broker.dead.append((self._taken(delivery), problem, reason))

    async def close(self) -> None:
        self._closed = True
        for body in reversed(self._in_hand.values()):
            self._broker.queues[self._name].appendleft(body)
        self._in_hand.clear()
        self._broker.changed.set()

    def _taken(self, delivery: Delivery) -> bytes:
        if delivery.handle not in self._in_hand:
            raise BrokerDown("the connection was lost")
        body = self._in_hand.pop(delivery.handle)  # type: ignore[call-overload]
        self._broker.changed.set()
        return bytes(body)
