"""Where a request says it comes from: protection against requests that other sites cause.

Browsers state the relation of page and target in Sec-Fetch-Site (W3C Fetch Metadata); older ones
state the page's origin in Origin. Programs that are no browser state neither.
"""

from urllib.parse import urlsplit

from fastapi import Request

from gateway.limits.loopback import is_loopback


def from_own_page(request: Request) -> bool:
    """Whether the request shows that one of our own pages caused it."""
    site = request.headers.get("sec-fetch-site")
    if site is not None:
        return site == "same-origin"
    return _own(request, request.headers.get("origin", ""))


def says_foreign(request: Request) -> bool:
    """Whether the request shows that a page of another site caused it."""
    site = request.headers.get("sec-fetch-site")
    if site is not None:
        return site not in ("same-origin", "none")
    origin = request.headers.get("origin")
    return origin is not None and not _own(request, origin)


def to_this_machine(request: Request) -> bool:
    """Whether the Host names this machine, not a name that somebody made lead here."""
    host = request.headers.get("host", "")
    try:
        return is_loopback(urlsplit(f"//{host}").hostname or "")
    except ValueError:
        return False


def _own(request: Request, origin: str) -> bool:
    # the scheme is left out: a proxy that ends TLS speaks http to us
    host = request.headers.get("host", "")
    try:
        return bool(host) and urlsplit(origin).netloc.lower() == host.lower()
    except ValueError:
        return False
