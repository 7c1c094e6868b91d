"""What every check stands on: the kind, its far end, the adapter, and the watch for leftovers."""

import asyncio
import threading
from collections.abc import AsyncIterator, Callable, Coroutine
from pathlib import Path
from typing import Any, ClassVar, TypeVar

import pytest
import pytest_asyncio

from adapters import registry
from adapters.contract import Claims, StationAdapter
from adapters.errors import (
    FateUnknown,
    Misconfigured,
    NeedsPerson,
    NothingSent,
    Refused,
    StationFault,
)
from adapters.kit.rig import Rig
from adapters.kit_plugin import PROVED
from schemas.station import Receipt, StationOrder

_T = TypeVar("_T")
_Test = TypeVar("_Test", bound=Callable[..., object])
_CLASSES = (NothingSent, FateUnknown, Refused, NeedsPerson, Misconfigured)
_PATIENCE_S = 3.0

Proved = Callable[[str], None]
"""Notes that a claim was seen to be true, in a check that finds out only as it runs."""


def needs(*claims: str) -> Callable[[_Test], _Test]:
    """Run this check only for kinds that claim all of these."""

    def mark(test: _Test) -> _Test:
        test.needs_claims = claims  # type: ignore[attr-defined]
        return test

    return mark


def proves(*claims: str) -> Callable[[_Test], _Test]:
    """When this check has passed, these claims stand proved: the plugin names those that don't."""

    def mark(test: _Test) -> _Test:
        test.proves_claims = claims  # type: ignore[attr-defined]
        return test

    return mark


class Conformance:
    """The parts that the groups of checks share. Subclass `StationConformance`, not this."""

    kind: ClassVar[str | type[StationAdapter]]
    """The kind's name as installed, or its class."""
    far_end: ClassVar[Callable[[], Rig]]
    """Makes the far end: usually a `Rig` class."""
    exempt: ClassVar[dict[str, str]] = {}
    """Checks that can't hold for this kind, each with the reason. One that passes is an error."""

    pytestmark: ClassVar[Any] = pytest.mark.asyncio

    @classmethod
    def adapter_class(cls) -> type[StationAdapter]:
        """The class under test."""
        return registry.find(cls.kind) if isinstance(cls.kind, str) else cls.kind

    @property
    def claims(self) -> Claims:
        """What the kind claims."""
        return self.adapter_class().claims

    @pytest_asyncio.fixture
    async def rig(self) -> AsyncIterator[Rig]:
        """A far end that runs. When all is stopped, no file, socket or thread may be left."""
        files, threads = _open_files(), _threads()
        rig = type(self).far_end()
        await rig.start()
        try:
            yield rig
        finally:
            await rig.stop()
        await eventually(lambda: _open_files() <= files, "files or sockets are left open")
        await eventually(lambda: _threads() <= threads, "threads are left running")

    @pytest_asyncio.fixture
    async def adapter(self, rig: Rig) -> AsyncIterator[StationAdapter]:
        """An opened adapter to the far end; closing it must leave no task behind."""
        adapter = rig.build(type(self).kind, "kit")
        before = tasks()
        await adapter.open()
        try:
            yield adapter
        finally:
            await adapter.close()
        await eventually(lambda: tasks() <= before, "close left tasks behind")

    @pytest.fixture
    def proved(self, request: pytest.FixtureRequest) -> Proved:
        """See `Proved`; it counts where the check passes."""

        def note(claim: str) -> None:
            request.node.user_properties.append((PROVED, [type(self).__name__, claim]))

        return note

    async def tried(self, adapter: StationAdapter, order: StationOrder) -> Receipt | StationFault:
        """Deliver, within the claimed time, and return what came of it; other errors fail."""
        try:
            async with asyncio.timeout(self.claims.deliver_within_s):
                return await adapter.deliver(order)
        except _CLASSES as fault:
            return fault

    async def delivered(self, adapter: StationAdapter, order: StationOrder) -> Receipt:
        """Deliver and expect a receipt whose stage is claimed."""
        result = await self.tried(adapter, order)
        assert isinstance(result, Receipt), f"no receipt: {result!r}"
        assert result.stage in adapter.claims.knows, "the receipt says more than the line claims"
        return result

    async def in_time(self, work: Coroutine[Any, Any, _T]) -> _T:
        """Wait for anything of the adapter that the state's deadline covers."""
        async with asyncio.timeout(self.claims.state_within_s):
            return await work


def tasks() -> set[str]:
    """Names of the tasks that are not the far end's (a rig names its own "rig ...")."""
    running = asyncio.all_tasks() - {asyncio.current_task()}
    names = {task.get_name() for task in running if not task.done()}
    return {name for name in names if not name.startswith(("rig ", "simulated "))}


async def eventually(holds: Callable[[], bool], otherwise: str) -> None:
    """Wait a bounded while for something that the system does in its own time."""
    loop = asyncio.get_running_loop()
    end = loop.time() + _PATIENCE_S
    while not holds():
        assert loop.time() < end, otherwise
        await asyncio.sleep(0.01)


def _open_files() -> int:
    listing = Path("/proc/self/fd")
    return sum(1 for _ in listing.iterdir()) if listing.exists() else 0


def _threads() -> set[str]:
    # The loop's own pool keeps its threads for the next lookup.
    return {t.name for t in threading.enumerate() if not t.name.startswith("asyncio_")}
