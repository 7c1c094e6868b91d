"""Whether an address is this machine's alone."""

from ipaddress import ip_address


def is_loopback(host: str) -> bool:
    """Whether a listener or caller at this address is reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
