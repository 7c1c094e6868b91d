"""Serve one simulated station: `python -m adapters.simulator --bags-ahead 2`."""

import argparse
import asyncio
import contextlib
import sys

from adapters.announce import STATION_TYPE, Announcement
from adapters.simulated import Simulated
from adapters.simulator.serve import SimulatedStation


async def _serve(told: argparse.Namespace) -> None:
    name = told.name
    station = SimulatedStation(name, bags_ahead=told.bags_ahead, print_s=told.print_s)
    await station.start(
        host=told.host, station_port=told.station_port, printer_port=told.printer_port
    )
    announced = await _announced(station) if told.announce else None
    for face, (where, port) in (
        ("station", station.station_address),
        ("printer", station.printer_address),
    ):
        sys.stdout.write(f"{name} {face} {where}:{port}\n")
    sys.stdout.flush()
    try:
        await asyncio.Event().wait()
    finally:
        if announced is not None:
            await announced.stop()
        await station.stop()


async def _announced(station: SimulatedStation) -> Announcement:
    host, port = station.station_address
    claims = Simulated.claims
    says = {
        "v": "1",
        "kind": "simulated",
        "id": f"simulated-{station.name}",
        "knows": ",".join(sorted(claims.knows)),
    }
    announced = Announcement(STATION_TYPE, station.name, port, says, [host])
    await announced.start()
    return announced


def main() -> None:
    """Run until interrupted."""
    parser = argparse.ArgumentParser(prog="python -m adapters.simulator", description=__doc__)
    parser.add_argument("--name", default="simulated")
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--station-port", type=int, default=0, help="0 takes a free port")
    parser.add_argument("--printer-port", type=int, default=0)
    parser.add_argument("--bags-ahead", type=int, default=0)
    parser.add_argument("--print-s", type=float, default=0.2, help="seconds a label takes")
    parser.add_argument("--announce", action="store_true", help="by DNS-SD, on its own address")
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(parser.parse_args()))


if __name__ == "__main__":
    main()
