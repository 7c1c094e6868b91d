"""Serve one simulated station: `python -m adapters.simulator --bags-ahead 2`."""

import argparse
import asyncio
import contextlib
import sys

from adapters.simulator.serve import SimulatedStation


async def _serve(name: str, host: str, ports: tuple[int, int], bags: int, print_s: float) -> None:
    station = SimulatedStation(name, bags_ahead=bags, print_s=print_s)
    await station.start(host=host, station_port=ports[0], printer_port=ports[1])
    for face, (where, port) in (
        ("station", station.station_address),
        ("printer", station.printer_address),
    ):
        sys.stdout.write(f"{name} {face} {where}:{port}\n")
    sys.stdout.flush()
    try:
        await asyncio.Event().wait()
    finally:
        await station.stop()


def main() -> None:
    """Run until interrupted."""
    parser = argparse.ArgumentParser(prog="python -m adapters.simulator", description=__doc__)
    parser.add_argument("--name", default="simulated")
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--station-port", type=int, default=0, help="0 takes a free port")
    parser.add_argument("--printer-port", type=int, default=0)
    parser.add_argument("--bags-ahead", type=int, default=0)
    parser.add_argument("--print-s", type=float, default=0.2, help="seconds a label takes")
    told = parser.parse_args()
    ports = (told.station_port, told.printer_port)
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(told.name, told.host, ports, told.bags_ahead, told.print_s))


if __name__ == "__main__":
    main()
