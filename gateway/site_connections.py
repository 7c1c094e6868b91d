"""Try a site's connections: each station's lines, the WMS, the brokers. Prints nothing."""

import asyncio
import os
from contextlib import suppress

import httpx

from adapters import registry
from adapters.contract import LineSettings
from adapters.errors import StationFault
from adapters.why_lost import why_lost
from gateway.access.secret_files import NoSecret
from gateway.intake.wms import token_of
from gateway.queues.port import BrokerDown, BrokerRefuses
from gateway.queues.reach import reach
from gateway.site_file import Finding, Reading, Severity
from schemas.queues import Queue
from schemas.site import Site, WmsSettings
from schemas.station import LineToStation, Station

_CONNECT_WITHIN_S = 5.0
_CODE_OF_NO_ORDER = "bagrelay-check"


async def try_connections(site: Site, reading: Reading) -> list[Finding]:
    """Open each station's lines, ask the WMS for no order that exists, greet each broker."""
    tries = [
        _try_line(station, place, line, reading.line_of("station", index, "lines", place))
        for index, station in enumerate(site.station)
        for place, line in enumerate(station.lines)
    ]
    if site.wms:
        tries.append(_try_wms(site.wms, reading.line_of("wms", "url")))
    tries += [
        _try_broker(queue, reading.line_of("queue", index, "url"))
        for index, queue in enumerate(site.queue)
    ]
    return [finding for finding in await asyncio.gather(*tries) if finding]


async def _try_line(
    station: Station, place: int, line: LineToStation, at: int | None
) -> Finding | None:
    where = f"station {station.id}, lines {place + 1}, kind {line.kind}"
    try:
        adapter = registry.build(line.kind, LineSettings(station.id, line.options))
    except StationFault:
        return None  # told by the check of its options
    try:
        async with asyncio.timeout(_CONNECT_WITHIN_S):
            await adapter.open()
            condition = await adapter.state()
    except StationFault as fault:
        said = fault.what.removeprefix(f"station {station.id}: ")
        return Finding(Severity.WARNING, at, where, said, fault.do.rstrip("."))
    except TimeoutError:
        said = f"no answer within {_CONNECT_WITHIN_S:g} s"
        return Finding(Severity.WARNING, at, where, said, "see that it is on and reachable")
    finally:
        with suppress(StationFault):
            await adapter.close()
    faults = f", {', '.join(condition.faults)}" if condition.faults else ""
    said = f"reached; it says {condition.state}{faults}"
    return Finding(Severity.WARNING if condition.faults else Severity.NOTE, at, where, said)


async def _try_wms(wms: WmsSettings, at: int | None) -> Finding | None:
    url = wms.url.replace("{code}", _CODE_OF_NO_ORDER)
    try:
        token = token_of(wms, os.environ)
    except NoSecret as lacking:
        return Finding(Severity.ERROR, at, "wms, token_file", str(lacking), "check name and rights")
    try:
        async with httpx.AsyncClient(timeout=wms.budget_s) as client:
            headers = {"Authorization": f"Bearer {token}"} if token else {}
            status = (await client.get(url, headers=headers)).status_code
    except httpx.HTTPError as error:
        said = f"can't be asked for an order: {why_lost(error)}"
        return Finding(Severity.WARNING, at, "wms", said, "see that its URL is right and it runs")
    if status == httpx.codes.NOT_FOUND:
        return Finding(Severity.NOTE, at, "wms", "reached; it knows no such order, as it should")
    if status in (httpx.codes.UNAUTHORIZED, httpx.codes.FORBIDDEN):
        said = f"answers {status}: it wants another token" if token else f"answers {status}"
        return Finding(
            Severity.WARNING, at, "wms", said, "name the variable with its token in token_env"
        )
    said = f"answers {status} for an order that can't exist; 404 was expected"
    return Finding(Severity.WARNING, at, "wms", said, "see that the path before {code} is right")


async def _try_broker(queue: Queue, at: int | None) -> Finding:
    where = f"queue {queue.id}"
    try:
        await reach(queue, os.environ)
    except BrokerRefuses as refused:
        said, do = f"the broker refuses: {refused}", "see user, password and rights"
        return Finding(Severity.WARNING, at, where, said, do)
    except BrokerDown as down:
        return Finding(
            Severity.WARNING, at, where, f"can't be reached: {down}", "see that its URL is right"
        )
    except ImportError as lacking:
        said, do = (
            f"needs a library that isn't installed: {lacking.name}",
            "install bagrelay's extra",
        )
        return Finding(Severity.ERROR, at, where, said, f"{do} {queue.broker.value}")
    return Finding(Severity.NOTE, at, where, "reached")
