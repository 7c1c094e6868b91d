"""The room of the site file: a simulated station on each of its addresses.

    python examples/room.py                       in one terminal
    python examples/wms.py                        in another
    bagrelay serve examples/room.toml             in a third

Stations of kind "tcp" stand as label printers, those of kind "simulated" as whole stations.
"""

import argparse
import asyncio
import sys
from contextlib import AsyncExitStack, suppress
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]

from adapters.simulator.serve import SimulatedStation  # noqa: E402
from gateway.site_file import load  # noqa: E402
from schemas.site import Site  # noqa: E402
from schemas.station import Station  # noqa: E402


async def stand(station: Station, print_s: float, host: str) -> SimulatedStation:
    """Stand one station up on the port that its line in the site file names."""
    line = station.lines[0]
    port = int(str(line.options["port"]))
    simulated = SimulatedStation(station.id, bags_ahead=station.bags_ahead, print_s=print_s)
    ports = {"printer_port": port} if line.kind.startswith("tcp") else {"station_port": port}
    await simulated.start(host=host, **ports)
    return simulated


async def run(site: Site, print_s: float, host: str) -> None:
    """Keep every station of the site standing until cancelled."""
    async with AsyncExitStack() as stack:
        for station in site.station:
            simulated = await stand(station, print_s, host)
            stack.push_async_callback(simulated.stop)
            print(f"{station.id}: {station.name}, port {station.lines[0].options['port']}")
        sys.stdout.flush()
        await asyncio.Event().wait()


def main() -> None:
    """Run until interrupted."""
    options = argparse.ArgumentParser(description="Simulated stations of a site file.")
    options.add_argument("site_file", nargs="?", type=Path, default=ROOT / "examples/room.toml")
    options.add_argument("--host", default="127.0.0.1")
    options.add_argument("--print-s", type=float, default=0.3, help="seconds that a label takes")
    given = options.parse_args()
    with suppress(KeyboardInterrupt):
        asyncio.run(run(load(given.site_file), given.print_s, given.host))


if __name__ == "__main__":
    main()
