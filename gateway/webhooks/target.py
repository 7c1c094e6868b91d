"""Where a webhook may go: the name is resolved, the address checked, and that address used.

A name that pointed to the outside when it was checked may point inside a moment later. So what was
checked is what is connected to; the name is used for TLS and the Host header only.
"""

import asyncio
import socket
from collections.abc import Sequence
from ipaddress import IPv4Address, IPv6Address, IPv6Network, ip_address, ip_network

Ip = IPv4Address | IPv6Address
_NAT64 = IPv6Network("64:ff9b::/96")  # RFC 6052: the last 32 bits are an IPv4 address
_COMPATIBLE = IPv6Network("::/96")  # RFC 4291, section 2.5.5.1: the same, long withdrawn


class AddressRefused(Exception):
    """The target's address is private, loopback, link-local or otherwise not of the open net."""


async def checked_address(host: str, port: int, allowed: Sequence[str]) -> str:
    """An address of the host that may be connected to.

    Raises `AddressRefused` where there is none, `OSError` where the name can't be resolved.
    """
    loop = asyncio.get_running_loop()
    found = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    addresses = [str(entry[4][0]) for entry in found]
    for address in addresses:
        if permitted(address, allowed):
            return address
    raise AddressRefused(
        f"{host} is at {', '.join(sorted(set(addresses)))}, which is inside: name the network in"
        " allow_networks if that is meant"
    )


def permitted(address: str, allowed: Sequence[str]) -> bool:
    """Whether an address is of the open net, or inside a network that the site names."""
    try:
        ip = ip_address(address.partition("%")[0])
    except ValueError:
        return False
    meant = _inner(ip)
    if any(each in ip_network(network) for network in allowed for each in (ip, meant)):
        return True
    return meant.is_global and not meant.is_multicast and not meant.is_reserved


def _inner(ip: Ip) -> Ip:
    """The IPv4 address that an IPv6 one carries, if it does."""
    if isinstance(ip, IPv4Address):
        return ip
    if ip in _NAT64 or ip in _COMPATIBLE:
        inner = IPv4Address(int(ip) & 0xFFFFFFFF)
        return ip if int(ip) <= 1 else inner
    teredo = ip.teredo
    return ip.ipv4_mapped or ip.sixtofour or (teredo[1] if teredo else None) or ip
