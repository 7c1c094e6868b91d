"""The demo: a day in the packing room, with faults on purpose, in about a minute."""

import argparse
import asyncio
import logging
import os
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parent.parent)]

import httpx  # noqa: E402
import orders as day_of_orders  # noqa: E402
from people import Stuck, Tally, Worker  # noqa: E402
from rich.console import Console  # noqa: E402
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn  # noqa: E402
from stage import Room, running  # noqa: E402
from summary import show, summarise  # noqa: E402

from gateway import logs  # noqa: E402


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="demo",
        description="Stream a day's orders through a gateway and four simulated stations.",
        epilog="Exit code 0: every order is accounted for and no label was printed twice.",
    )
    parser.add_argument("--orders", type=int, default=200, help="how many (200)")
    parser.add_argument("--seed", type=int, default=9521234, help="another day")
    parser.add_argument("--port", type=int, default=0, help="the gateway's port (a free one)")
    parser.add_argument("--keep", action="store_true", help="keep everything running afterwards")
    parser.add_argument("--folder", type=Path, help="keep the store here instead of a temporary")
    parser.add_argument("--log", type=Path, help="write the gateway's log here")
    return parser.parse_args()


async def _day(options: argparse.Namespace, console: Console) -> int:
    plan = day_of_orders.plan(options.orders, options.seed)
    orders = [scan.order for scan in plan if scan.order is not None]
    async with running(orders, port=options.port, folder=options.folder) as room:
        console.print(
            f"Gateway at {room.url}, on this machine only and open to everyone on it; "
            f"WMS at {room.wms.url}. Faults on purpose: {_faults(plan)}."
        )
        tallies = await _work(room, plan, console)
        found = summarise(room, tallies)
        show(console, found)
        if options.keep:
            store = room.site.store.url.removeprefix("sqlite:///")
            console.print(
                f"Still running: {room.url}/floor . Ctrl-C stops. For commands such as\n"
                f"bagrelay trace: --site {store}",
                soft_wrap=True,
            )
            await asyncio.Event().wait()
        return 1 if found.wrong else 0


async def _work(room: Room, plan: list[day_of_orders.Planned], console: Console) -> list[Tally]:
    progress = Progress(
        TextColumn("{task.description:<10}"), BarColumn(), MofNCompleteColumn(), console=console
    )
    async with httpx.AsyncClient(base_url=room.url, timeout=30, trust_env=False) as client:
        with progress:
            workers = []
            for station in room.stations:
                mine = [scan for scan in plan if scan.station == station]
                bar = progress.add_task(station, total=len(mine))
                worker = Worker(
                    room,
                    station,
                    client,
                    lambda bar=bar: progress.advance(bar),  # type: ignore[misc]
                )
                workers.append((worker, mine))
            await asyncio.gather(*(_one(worker, mine) for worker, mine in workers))
    return [worker.tally for worker, _ in workers]


async def _one(worker: Worker, mine: list[day_of_orders.Planned]) -> None:
    try:
        await worker.work(mine)
    except (Stuck, httpx.HTTPError) as stuck:
        worker.tally.problems.append(f"{type(stuck).__name__}: {stuck}")


def _faults(plan: list[day_of_orders.Planned]) -> str:
    return ", ".join(sorted({scan.fault.value for scan in plan if scan.fault}))


def main() -> int:
    """Run the day."""
    options = _options()
    console = Console()
    with (options.log or Path(os.devnull)).open("w", encoding="utf-8") as stream:
        logs.configure(stream, level=logging.INFO)
        try:
            return asyncio.run(_day(options, console))
        except KeyboardInterrupt:
            return 0


if __name__ == "__main__":
    sys.exit(main())
