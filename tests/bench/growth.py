"""What grows with a room and with its years: stations up to 1,000, ledger rows up to 10 million.

    python -m tests.bench.growth stations [--sizes 1 10 100 1000]
    python -m tests.bench.growth ledger [--sizes 10000 1000000 10000000] [--postgres]

Stations: the same orders at the same rate over so many stations, from scan to sent label; how long
a start takes, and what an order and an idle second cost the processor.
Ledger: the same questions to stores of several sizes, each with keys drawn from all of it; how
rows are made stands in growth_rows.py. Ten million rows want 12 GB of disk while it runs.
"""

import argparse
import asyncio
import logging
import os
import platform
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

import structlog
from sqlalchemy.engine import Connection

from gateway.app import build
from gateway.clock import SystemClock
from gateway.console.search import Search
from gateway.console.search import _scan_code as find_scan_code
from gateway.intake.envelope import read_structured
from gateway.ledger import entries
from gateway.ledger.trace import order_story
from gateway.store import jobs, orders
from gateway.store.store import Store
from schemas.site import Site
from tests.bench.growth_rows import (
    FIRST,
    STATIONS,
    Order,
    Pattern,
    fill,
    filling_engine,
    scan_at,
    site_of,
    store_bytes,
)
from tests.bench.http_load import Requests, order_body
from tests.rigs.servers import Postgres

ASKED = 200
RATE = 40.0

# ---- stations ---------------------------------------------------------------------------------


async def _stations(count: int, seconds: float) -> tuple[float, float, float, float]:
    """Seconds to start, processor ms for an order, idle share, median ms from scan to durable."""
    with tempfile.TemporaryDirectory(prefix="bagrelay-bench-") as folder:
        sent = 0

        async def swallow(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            nonlocal sent
            while chunk := await reader.read(65536):
                sent += chunk.count(b"^XZ")
            writer.close()

        sink = await asyncio.start_server(swallow, "127.0.0.1", 0, backlog=2000)
        port = sink.sockets[0].getsockname()[1]
        site = site_of(f"sqlite:///{folder}/bench.db", port, count)
        store = Store(site.store.url, SystemClock())
        store.start()  # the tables are made once in a store's life
        store.close()
        began = time.perf_counter()
        gateway = build(_unverified(site), environment={})
        await gateway.start()
        started = time.perf_counter() - began
        await asyncio.sleep(2)
        idle = await _processor(lambda: asyncio.sleep(5)) / 5
        number, waits = 0, list[float]()
        requests = Requests(order_body(), "")

        async def scan(number: int) -> None:
            body = scan_at(requests, number, count)
            asked = time.perf_counter()
            await gateway.intake.accept(read_structured(body), actor="bench")
            waits.append(time.perf_counter() - asked)

        async def steadily() -> None:
            nonlocal number
            begin = time.perf_counter()
            tasks = []
            while time.perf_counter() < begin + seconds:
                number += 1
                tasks.append(asyncio.create_task(scan(number)))
                await asyncio.sleep(max(0.0, begin + number / RATE - time.perf_counter()))
            await asyncio.gather(*tasks)
            for _ in range(2000):
                if sent >= number:
                    return
                await asyncio.sleep(0.01)
            raise SystemExit(f"{number - sent} labels were not sent")

        spent = await _processor(steadily)
        each = (spent - idle * number / RATE) / number
        await gateway.stop()
        sink.close()
    return started, each * 1e3, idle, statistics.median(waits) * 1e3


def _unverified(site: Site) -> Site:
    """The same room where a label counts once it is sent."""
    told = site.model_dump(mode="json", exclude_unset=True)
    for station in told["station"]:
        station["verify"] = "none"
    return Site.model_validate(told)


async def _processor(work: Callable[[], "asyncio.Future[None] | object"]) -> float:
    """Processor seconds that this process spent on it."""
    began = time.process_time()
    await work()  # type: ignore[misc]
    return time.process_time() - began


def stations(sizes: list[int], seconds: float) -> None:
    """Print the table of stations."""
    print(f"{RATE:g} orders a second for {seconds:g} s, each sent; SQLite, one process")
    head = ("stations", "start s", "CPU ms an order", "CPU idle %", "scan to durable, median ms")
    print("  ".join(f"{name:>15}" for name in head))
    for count in sizes:
        started, each, idle, wait = asyncio.run(_stations(count, seconds))
        print(
            f"{count:15}  {started:15.2f}  {each:15.2f}  {idle * 100:15.1f}  {wait:15.2f}",
            flush=True,
        )


# ---- ledger -----------------------------------------------------------------------------------

Question = Callable[[Connection, Order], object]
Table = dict[str, list[float]]


def _questions(site: Site) -> dict[str, Question]:
    zone = ZoneInfo("UTC")
    search = Search([one.id for one in site.station], [bag.id for bag in site.bag], zone)

    def found(conn: Connection, text: str, at: Order) -> object:
        answer = search.answer(conn, text, at.at)
        assert answer.found, text
        return answer

    return {
        "order: its whole story": lambda conn, at: order_story(conn, f"O-{at.words()['number']}"),
        "order: by its beginning": lambda conn, at: found(
            conn, f"O-{at.words()['number']}"[:-1], at
        ),
        "code: by the label's": lambda conn, at: found(conn, f"00{at.words()['sscc']}", at),
        "code: by the scanned": _by_scan_code,
        "code: job that carries it": lambda conn, at: jobs.carrying(
            conn, f"00{at.words()['sscc']}"
        ),
        "time: ten minutes": lambda conn, at: found(conn, f"{at.at:%Y-%m-%d %H:%M}", at),
        "time: latest 50 orders": lambda conn, at: orders.latest(conn, outcome=None, limit=50),
        "time: station's latest 50": lambda conn, at: entries.latest_of_station(
            conn, at.words()["station"], limit=50
        ),
        "number: 100 from there on": lambda conn, at: entries.page(
            conn, after=at.number * 8, limit=100
        ),
    }


def _by_scan_code(conn: Connection, at: Order) -> object:
    return find_scan_code(conn, f"O-{at.words()['number']}")


@dataclass(slots=True)
class Filled:
    """A store with so many ledger rows, and the orders that are in it."""

    rows: int
    url: str
    orders: Sequence[range]
    site: Site = field(init=False)
    store: Store = field(init=False)

    def __post_init__(self) -> None:
        self.site, self.store = site_of(self.url), Store(self.url, SystemClock())

    def draw(self, draw: random.Random) -> Order:
        """One of its orders."""
        (numbers,) = draw.choices(self.orders, [len(one) for one in self.orders])
        return Order(draw.choice(numbers))


def _ask(stores: Sequence[Filled]) -> tuple[Table, Table]:
    """Median milliseconds of each question at each store: asked first, and asked again.

    The stores are asked in turn, so that a machine that drifts drifts for all of them.
    """
    draw = random.Random(17)
    first: Table = {}
    again: Table = {}
    for name, question in _questions(stores[0].site).items():
        times = [(list[float](), list[float]()) for _ in stores]
        for _ in range(ASKED):
            for one, found in zip(stores, times, strict=True):
                at = one.draw(draw)
                for told in found:
                    told.append(one.store.read_now(partial(_timed, question, at)))
        first[name] = [statistics.median(found) * 1e3 for found, _ in times]
        again[name] = [statistics.median(found) * 1e3 for _, found in times]
    return first, again


def _timed(question: Question, at: Order, conn: Connection) -> float:
    asked = time.perf_counter()
    question(conn, at)
    return time.perf_counter() - asked


async def _take(stores: Sequence[Filled]) -> list[float]:
    """Median milliseconds until a scanned order is durable, at each store."""
    requests, times = Requests(order_body(), ""), [list[float]() for _ in stores]
    intakes = []
    for one in stores:
        gateway = build(one.site, environment={})
        intake = gateway.intake
        intake._store = intake._packer._store = intake._packer._serials._store = one.store
        intakes.append(intake)
    begin = 800_000_000 + time.monotonic_ns() // 1_000_000 % 10**8
    for number in range(begin, begin + ASKED):
        event = read_structured(scan_at(requests, number, STATIONS))
        for intake, found in zip(intakes, times, strict=True):
            asked = time.perf_counter()
            await intake.accept(event, actor="bench")
            found.append(time.perf_counter() - asked)
    return [statistics.median(found) * 1e3 for found in times]


def filled(url: str, rows: int) -> Filled:
    """Fill a store that is empty."""
    began = time.perf_counter()
    pattern, engine = Pattern(url), filling_engine(url)
    numbers = range(FIRST, rows // pattern.entries)
    fill(engine, pattern, numbers)
    engine.dispose()
    print(f"{rows:,} rows in {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)
    return Filled(rows, url, [numbers])


def ledger(stores: Sequence[Filled]) -> None:
    """Ask every store and print the table."""
    for one in stores:
        one.store.start()
    try:
        first, again = _ask(stores)
        written = asyncio.run(_take(stores))
    finally:
        for one in stores:
            one.store.close()
    print(f"{stores[0].url.partition(':')[0]}, {ASKED} questions of each kind; median ms")
    head = "".join(f"{one.rows:13,}" for one in stores)
    for what, told in (
        ("asked again, in memory", again),
        ("asked first, from disk where it isn't in memory", first),
        ("written", {"a scanned order, durable": written}),
    ):
        print(f"\n{what}\n{'ledger rows':28}{head}{'growth':>9}")
        for name, row in told.items():
            print(f"{name:28}{''.join(f'{ms:13.3f}' for ms in row)}{row[-1] / row[0]:9.2f}")
    sizes = [store_bytes(one.url) / 1e9 for one in stores]
    print(f"{'store, GB':28}{''.join(f'{size:13.2f}' for size in sizes)}")


def main() -> None:
    """Run one of the two."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("what", choices=("stations", "ledger"))
    parser.add_argument("--sizes", type=int, nargs="+")
    parser.add_argument("--seconds", type=float, default=15.0)
    parser.add_argument("--postgres", action="store_true")
    options = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    if options.what == "stations":
        stations(options.sizes or [1, 10, 100, 1000], options.seconds)
        return
    sizes = options.sizes or [10_000, 1_000_000, 10_000_000]
    with tempfile.TemporaryDirectory(prefix="bagrelay-bench-") as name:
        if not options.postgres:
            ledger([filled(f"sqlite:///{name}/{rows}.db", rows) for rows in sizes])
            return
        with Postgres(Path(name)) as server:
            ledger([filled(server.dsn(server.new_database()), rows) for rows in sizes])


if __name__ == "__main__":
    main()
