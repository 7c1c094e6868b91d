"""Stations and printers that announce themselves by DNS-SD (RFC 6763), on named interfaces only.

What is found is shown, and never sent a label: a person puts a station into the site file. A line
whose host is written `dns-sd:NAME` follows its station to a new address only when the identity
that the site file gives is the one that is announced.
"""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from enum import StrEnum

import structlog
from zeroconf import Error as ZeroconfError
from zeroconf import ServiceStateChange, Zeroconf
from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo, AsyncZeroconf

from adapters.announce import GATEWAY_TYPE, STATION_TYPE, Announcement, must_be_ours
from schemas.base import Record
from schemas.site import Site
from schemas.station import LineToStation

log = structlog.get_logger(__name__)

TYPES = {
    STATION_TYPE: "station",
    "_pdl-datastream._tcp.local.": "raw printing",
    "_printer._tcp.local.": "line printer",
    "_ipp._tcp.local.": "IPP printer",
    "_ipps._tcp.local.": "IPP printer",
    "_opcua-tcp._tcp.local.": "OPC UA server",
}
"""Service types that are looked for (registered names from memory; the first is our own)."""

BY_NAME = "dns-sd:"
_MOST = 500
_ASK_MS = 3000


class Standing(StrEnum):
    """What a found service is to the site file."""

    NEW = "new"
    """Not in the site file: it is sent nothing."""
    KNOWN = "known"
    """A line of the site file leads to it."""
    HELD = "held"
    """It bears a known name and another identity: it is sent nothing."""


class Found(Record):
    """One announced service, as it was last heard."""

    name: str
    service: str
    addresses: tuple[str, ...]
    port: int
    identity: str = ""
    """What it says is its own for good: `id` or `UUID` of its TXT record."""
    says: dict[str, str] = {}
    standing: Standing = Standing.NEW
    station: str = ""
    """The station of the site file that leads to it."""


class NotFollowed(Exception):
    """A name that the site file gives is not announced, or by something else."""


class NotAnnounced(NotFollowed):
    """Nothing announces itself under the name at all: it may be switched off."""


def judge(found: Found, site: Site | None) -> Found:
    """Compare one service with the site file."""
    for station in site.station if site else ():
        for line in station.lines:
            host, port = line.options.get("host"), line.options.get("port")
            if host == f"{BY_NAME}{found.name}":
                same = line.options.get("identity") == found.identity != ""
                standing = Standing.KNOWN if same else Standing.HELD
                return found.model_copy(update={"standing": standing, "station": station.id})
            if host in found.addresses and port == found.port:
                return found.model_copy(update={"standing": Standing.KNOWN, "station": station.id})
    return found


def follow(line: LineToStation, found: Sequence[Found]) -> LineToStation:
    """The line with the address that its name has now. Lines with a plain host stay as they are.

    Raises `NotFollowed` when the name is not announced, announced twice, or its identity is not
    the one in the site file.
    """
    host = line.options.get("host")
    if not isinstance(host, str) or not host.startswith(BY_NAME):
        return line
    name, wanted = host.removeprefix(BY_NAME), line.options.get("identity")
    if not wanted:
        raise NotFollowed(f"{host} needs an identity beside it in the site file")
    bearers = [one for one in found if one.name == name]
    if not bearers:
        raise NotAnnounced(f"nothing announces itself as {name!r}")
    right = [one for one in bearers if one.identity == wanted and one.addresses]
    if len(right) != len(bearers) or len({(one.addresses, one.port) for one in right}) != 1:
        raise NotFollowed(
            f"{name!r} is announced with another identity than the site file gives, or twice: "
            "held until a person has looked"
        )
    options = {key: value for key, value in line.options.items() if key != "identity"}
    options |= {"host": right[0].addresses[0], "port": right[0].port}
    return line.model_copy(update={"options": options})


class Discovery:
    """A live list of what announces itself. Everything in it was said by strangers."""

    def __init__(
        self, interfaces: Sequence[str], on_change: Callable[[], None] | None = None
    ) -> None:
        if not interfaces:
            raise ValueError("name the interfaces: all of them would reach foreign networks")
        self._interfaces = list(interfaces)
        self._on_change = on_change
        self._found: dict[str, Found] = {}
        self._network: AsyncZeroconf | None = None
        self._browser: AsyncServiceBrowser | None = None
        self._asking: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Begin to listen and ask. Raises `OSError` when an interface is not this machine's."""
        must_be_ours(self._interfaces)
        self._network = AsyncZeroconf(interfaces=self._interfaces)
        self._browser = AsyncServiceBrowser(
            self._network.zeroconf, list(TYPES), handlers=[self._changed]
        )

    async def stop(self) -> None:
        """Stop listening."""
        for task in self._asking:
            task.cancel()
        await asyncio.gather(*self._asking, return_exceptions=True)
        if self._browser is not None:
            await self._browser.async_cancel()
        if self._network is not None:
            await self._network.async_close()
        self._browser = self._network = None

    def found(self, site: Site | None = None) -> tuple[Found, ...]:
        """Everything that is announced now, by name, compared with the site file."""
        ordered = sorted(self._found.values(), key=lambda one: (one.name, one.service))
        return tuple(judge(one, site) for one in ordered)

    def _changed(
        self,
        zeroconf: Zeroconf,
        service_type: str,
        name: str,
        state_change: ServiceStateChange,
    ) -> None:
        if state_change is ServiceStateChange.Removed:
            if self._found.pop(name, None) is not None:
                self._tell()
            return
        if name not in self._found and len(self._found) + len(self._asking) >= _MOST:
            return
        task = asyncio.ensure_future(self._ask(zeroconf, service_type, name))
        self._asking.add(task)
        task.add_done_callback(self._asking.discard)

    async def _ask(self, zeroconf: Zeroconf, service_type: str, name: str) -> None:
        info = AsyncServiceInfo(service_type, name)
        if not await info.async_request(zeroconf, _ASK_MS) or not info.port:
            return
        says = _readable(info.decoded_properties)
        self._found[name] = Found(
            name=_shown(name.removesuffix(f".{service_type}")),
            service=TYPES[service_type],
            addresses=tuple(sorted(info.parsed_addresses())),
            port=info.port,
            identity=says.get("id") or says.get("uuid", ""),
            says=says,
        )
        self._tell()

    def _tell(self) -> None:
        if self._on_change is not None:
            self._on_change()


@asynccontextmanager
async def discovering(
    interfaces: Sequence[str], gateway: str = "", port: int = 0
) -> AsyncIterator[Discovery]:
    """A running discovery; with a port the gateway announces itself beside it.

    A network that allows no multicast costs the list, never the start of the gateway.
    """
    discovery = Discovery(interfaces)
    announced = Announcement(GATEWAY_TYPE, gateway, port, {"v": "1"}, interfaces) if port else None
    announcing: asyncio.Task[None] | None = None
    try:
        await discovery.start()
        if announced is not None:
            announcing = asyncio.create_task(_announce(announced), name="announce the gateway")
    except OSError as fault:
        log.warning("discovery.off", interfaces=list(interfaces), text=str(fault))
    try:
        yield discovery
    finally:
        if announcing is not None and announced is not None:
            await announcing
            await announced.stop()
        await discovery.stop()


async def _announce(announced: Announcement) -> None:
    try:
        await announced.start()
    except (OSError, ZeroconfError) as fault:
        log.warning("discovery.not_announced", text=str(fault) or type(fault).__name__)


async def find(interfaces: Sequence[str], seconds: float) -> tuple[Found, ...]:
    """Look for so long and return what announced itself."""
    discovery = Discovery(interfaces)
    await discovery.start()
    try:
        await asyncio.sleep(seconds)
        return discovery.found()
    finally:
        await discovery.stop()


def _readable(properties: Mapping[str, str | None]) -> dict[str, str]:
    # TXT keys are compared without regard to case (RFC 6763, 6.4).
    pairs = list(properties.items())[:30]
    return {_shown(key).lower(): _shown(value or "") for key, value in pairs}


def _shown(text: str) -> str:
    return "".join(sign if sign.isprintable() else "?" for sign in text)[:200]
