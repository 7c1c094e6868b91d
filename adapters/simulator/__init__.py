"""A simulated bagging station: for the demo, for tests, and for integrators without a machine."""

from adapters.simulator.faults import Fault, FaultKind
from adapters.simulator.serve import SimulatedStation

__all__ = ["Fault", "FaultKind", "SimulatedStation", "start"]


async def start(
    name: str = "simulated",
    *,
    bags_ahead: int = 0,
    auto_advance: bool = True,
    print_s: float = 0.0,
    faults: tuple[Fault, ...] = (),
    station_port: int = 0,
    printer_port: int = 0,
) -> SimulatedStation:
    """A running station on loopback; `stop` it when done."""
    station = SimulatedStation(
        name, bags_ahead=bags_ahead, auto_advance=auto_advance, print_s=print_s, faults=faults
    )
    await station.start(station_port=station_port, printer_port=printer_port)
    return station
