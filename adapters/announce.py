"""Announce a station or the gateway by DNS-SD (RFC 6763), on named interfaces only."""

import asyncio
import ipaddress
import socket
from collections.abc import Mapping, Sequence

from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf

STATION_TYPE = "_bagrelay-stn._tcp.local."
"""Stations that speak our own protocol or HTTP: TXT says kind, id and abilities."""
GATEWAY_TYPE = "_bagrelay._tcp.local."
"""The gateway itself, so that stations find it."""


class Announcement:
    """One announced service; `stop` says goodbye, so that it is forgotten at once.

    `says` becomes the TXT record: keys of at most 9 letters, values of at most 200 bytes.
    """

    def __init__(
        self,
        service_type: str,
        name: str,
        port: int,
        says: Mapping[str, str],
        interfaces: Sequence[str],
    ) -> None:
        if not interfaces:
            raise ValueError("name the interfaces: announcing on all would reach foreign networks")
        for key, value in says.items():
            if len(key) > 9 or not key.isascii() or "=" in key or len(value.encode()) > 200:
                raise ValueError(f"{key}={value!r} does not fit a TXT record")
        self._interfaces = list(interfaces)
        self._info = AsyncServiceInfo(
            service_type,
            f"{name}.{service_type}",
            port=port,
            properties=dict(says),
            addresses=[_packed(address) for address in interfaces],
            server=f"{socket.gethostname()}.local.",
        )
        self._network: AsyncZeroconf | None = None

    async def start(self) -> None:
        """Announce; takes a second or two, because the name is first asked for.

        Raises `OSError` when an interface is not this machine's.
        """
        must_be_ours(self._interfaces)
        self._network = AsyncZeroconf(interfaces=self._interfaces)
        await (await self._network.async_register_service(self._info))

    async def stop(self) -> None:
        """Say goodbye."""
        network, self._network = self._network, None
        if network is not None:
            await (await network.async_unregister_service(self._info))
            await network.async_close()
            await asyncio.sleep(0)


def must_be_ours(interfaces: Sequence[str]) -> None:
    """Raise `OSError` for an address that no interface of this machine has.

    Asked before the library is, which would leave a socket open behind its own error.
    """
    for address in interfaces:
        version = ipaddress.ip_address(address).version
        family = socket.AF_INET if version == 4 else socket.AF_INET6
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            try:
                probe.bind((address, 0))
            except OSError as fault:
                raise OSError(f"{address} is no address of this machine") from fault


def _packed(address: str) -> bytes:
    return ipaddress.ip_address(address).packed
