"""A closed gateway for tests, listening as `bagrelay serve` does, and keys for it."""

import asyncio
import ssl
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
import uvicorn

from gateway.access import keys
from gateway.app import Gateway, build, create_app
from gateway.clock import Clock
from gateway.limits.serving import serving
from schemas.access import AccessRole
from schemas.site import Site
from tests.service.gateway_rig import BAGS, FILMS


class Closed:
    """A running gateway that lets nobody in without being shown something."""

    def __init__(self, gateway: Gateway, host: str, port: int, scheme: str) -> None:
        self.gateway = gateway
        self.host, self.port = host, port
        self.url = f"{scheme}://{host}:{port}"

    async def key(
        self,
        role: AccessRole,
        *stations: str,
        name: str | None = None,
        expires: datetime | None = None,
    ) -> str:
        """A new key's text."""
        named = name or f"{role}-{'-'.join(stations) or 'all'}"
        _, text = await self.gateway.store.write(
            lambda work: keys.new(
                work, name=named, role=role, stations=stations, expires=expires, by="test"
            )
        )
        return text

    def client(self, key: str | None = None, **more: Any) -> httpx.AsyncClient:
        """A client that shows a key."""
        headers = {"authorization": f"Bearer {key}"} if key else {}
        headers |= more.pop("headers", {})
        return httpx.AsyncClient(
            base_url=self.url, timeout=20, trust_env=False, headers=headers, **more
        )


@asynccontextmanager
async def closed(
    folder: Path,
    *,
    stations: tuple[str, ...] = ("s1", "s2"),
    clock: Clock | None = None,
    environment: Mapping[str, str] | None = None,
    **site: Any,
) -> AsyncIterator[Closed]:
    """Start it and stop it; keywords are sections of the site file. Stations are only named."""
    whole = Site.model_validate(
        {
            "name": "closed",
            "gs1": {"company_prefix": "9521234"},
            "film": FILMS,
            "bag": BAGS,
            "store": {"url": f"sqlite:///{folder / 'closed.db'}"},
            "station": [_station(name) for name in stations],
            **site,
        }
    )
    gateway = build(whole, clock=clock, environment=environment or {})
    settings = serving(whole, "127.0.0.1", 0, environment or {})
    server = uvicorn.Server(uvicorn.Config(create_app(gateway), lifespan="on", **settings))
    running = asyncio.create_task(server.serve(), name="gateway http")
    try:
        while not server.started:
            assert not running.done(), "the gateway did not start"
            await asyncio.sleep(0.005)
        host, port = server.servers[0].sockets[0].getsockname()[:2]
        yield Closed(gateway, host, port, "https" if whole.tls else "http")
    finally:
        server.should_exit = True
        await running


def _station(name: str) -> dict[str, Any]:
    # nothing listens there: these tests are about who comes in, not about what goes out
    return {
        "id": name,
        "lines": [{"kind": "tcp", "options": {"host": "127.0.0.1", "port": 9}}],
        "loaded": [{"bag": "small", "pieces_left": 1000}],
    }


def event(id_: str, type_: str, station: str, **data: object) -> dict[str, Any]:
    """A structured event."""
    return {
        "specversion": "1.0",
        "id": id_,
        "source": "/test",
        "type": f"bagrelay.{type_}.v1",
        "data": {"station": station, **data},
    }


STRUCTURED = {"content-type": "application/cloudevents+json"}


def trusting(ca_file: Path, *, cert: tuple[Path, Path] | None = None) -> ssl.SSLContext:
    """TLS for a client that trusts one authority and may show a certificate."""
    context = ssl.create_default_context(cafile=str(ca_file))
    if cert is not None:
        context.load_cert_chain(str(cert[0]), str(cert[1]))
    return context
