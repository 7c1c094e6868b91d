"""A station that the site file gives by name: followed to its address while its identity holds."""

from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AsyncExitStack

from adapters import registry
from adapters.contract import (
    AsksFate,
    Claims,
    CountsLabels,
    Holds,
    LineSettings,
    PassesBy,
    StationLine,
)
from adapters.errors import Misconfigured, NothingSent
from gateway.discovery import BY_NAME, Discovery, Found, NotAnnounced, NotFollowed, discovering
from gateway.discovery import follow as follow_line
from schemas.site import Site
from schemas.station import (
    Fate,
    LineToStation,
    Receipt,
    Signal,
    Station,
    StationCondition,
    StationOrder,
)


class Finder:
    """What announces itself in the room, while the gateway runs. Finds nothing where it is off."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._running: Discovery | None = None
        self._stack = AsyncExitStack()

    async def start(self) -> None:
        """Begin to look, on the interfaces that the site file names and no others."""
        settings = self._site.discovery
        if settings.interfaces:
            port = self._site.http.port if settings.announce else 0
            self._running = await self._stack.enter_async_context(
                discovering(settings.interfaces, self._site.name, port)
            )

    async def stop(self) -> None:
        """Stop looking."""
        self._running = None
        await self._stack.aclose()

    def found(self) -> tuple[Found, ...]:
        """Everything that was heard, compared with the site file."""
        return self._running.found(self._site) if self._running else ()


def goes_by_name(station: Station) -> bool:
    """Whether a line of the station is given by its announced name."""
    return any(str(line.options.get("host", "")).startswith(BY_NAME) for line in station.lines)


class Followed:
    """A station with one line that is found by name. Its adapter is made anew at a new address."""

    def __init__(self, station: Station, found: Callable[[], Sequence[Found]]) -> None:
        if len(station.lines) != 1:
            raise Misconfigured(
                f"station {station.id} has several lines and goes by name",
                do="Give plain addresses to a composed station.",
            )
        self._station = station
        self._found = found
        self._line: LineToStation | None = None
        self._adapter: StationLine | None = None
        line = station.lines[0]
        options = {name: value for name, value in line.options.items() if name != "identity"}
        somewhere = LineSettings(station.id, options | {"host": "127.0.0.1", "port": 1})
        self._claims = registry.build(line.kind, somewhere).claims

    @property
    def claims(self) -> Claims:
        """What its line can know; an address changes nothing of it."""
        return self._claims

    async def open(self) -> None:
        """Find the station under its name, and open the line to where it is now."""
        line = self._where()
        if line != self._line or self._adapter is None:
            if self._adapter is not None:
                await self._adapter.close()
            settings = LineSettings(self._station.id, line.options)
            self._line, self._adapter = line, registry.build(line.kind, settings)
        await self._adapter.open()

    def _where(self) -> LineToStation:
        try:
            return follow_line(self._station.lines[0], self._found())
        except NotAnnounced as missing:
            raise NothingSent(f"station {self._station.id}: {missing}") from missing
        except NotFollowed as other:
            raise Misconfigured(
                f"station {self._station.id}: {other}",
                do="Look at the station, then correct its identity in the site file.",
            ) from other

    async def close(self) -> None:
        """Let go of the line."""
        if self._adapter is not None:
            await self._adapter.close()

    async def deliver(self, order: StationOrder) -> Receipt:
        """Deliver where the station is now."""
        return await self._there().deliver(order)

    async def state(self) -> StationCondition:
        """Ask the station that was found."""
        return await self._there().state()

    async def fate(self, job_id: str) -> Fate:
        """Ask the station that was found, where its kind can be asked."""
        there = self._there()
        return await there.fate(job_id) if isinstance(there, AsksFate) else Fate.CANNOT_TELL

    async def labels_printed(self) -> int:
        """The count of the station that was found, where its kind counts."""
        there = self._there()
        if not isinstance(there, CountsLabels):
            raise NothingSent(f"station {self._station.id} does not count its labels")
        return await there.labels_printed()

    async def hold(self, reason: str) -> None:
        """Tell it to hold, where its kind can be told."""
        if isinstance(there := self._there(), Holds):
            await there.hold(reason)

    async def release(self) -> None:
        """Tell it that it may go on."""
        if isinstance(there := self._there(), Holds):
            await there.release()

    async def pass_by(self, code: str, reason: str) -> None:
        """Let goods pass, where its kind can."""
        there = self._there()
        if not isinstance(there, PassesBy):
            raise NothingSent(f"station {self._station.id} can't let goods pass")
        await there.pass_by(code, reason)

    async def signals(self) -> AsyncIterator[Signal]:
        """What the station that was found reports."""
        async for signal in self._there().signals():
            yield signal

    def _there(self) -> StationLine:
        if self._adapter is None:
            raise NothingSent(f"station {self._station.id} has not been found yet")
        return self._adapter
