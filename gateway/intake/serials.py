"""SSCC serials: taken from the store in blocks, handed out one by one, never twice."""

import asyncio

from gateway.store.store import Store

BLOCK = 200


class Serials:
    """Hands out serials. Those of a block that a stopped gateway left over are never used."""

    def __init__(self, store: Store, name: str = "sscc") -> None:
        self._store = store
        self._name = name
        self._free: range = range(0)
        self._lock = asyncio.Lock()

    async def take(self, count: int) -> list[int]:
        """Take `count` serials, each durable as used before it is handed out."""
        if count == 0:
            return []
        async with self._lock:
            if len(self._free) < count:
                size = max(BLOCK, count)
                first = await self._store.write(lambda work: work.next_number(self._name, size))
                self._free = range(first, first + size)
            taken, self._free = self._free[:count], self._free[count:]
            return list(taken)
