"""Durable events per second over HTTP, with what bounds them measured in the same run.

    python -m tests.bench.intake [--seconds 4] [--rounds 3]

Three servers take the same bodies from the same client, in turns of a few seconds:
- the gateway as `bagrelay serve` runs it, closed door, one key; once with group commit, once with
  a group size of 1, so that each event has a commit of its own;
- the same HTTP server with a handler that reads the body and answers: nothing is kept;
- the store alone: so many writers at once, each step one row with the body, no HTTP, no checks.
The floor is the slower of the last two. Lanes are held, so that nothing is sent meanwhile.
"""

import argparse
import asyncio
import json
import os
import platform
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from tests.bench.http_load import STATIONS, Requests, drive, measured_body, order_body

ROOT = Path(__file__).resolve().parents[2]
GATEWAY, ALONE, FLOOR, STORE, STORE_ALONE = (
    "gateway, group commit",
    "gateway, a commit each",
    "HTTP with an empty handler",
    "store alone, group commit",
    "store alone, a commit each",
)

# ---- the servers ------------------------------------------------------------------------------


def _site(folder: Path, printers: int) -> str:
    stations = "".join(
        f"""
[[station]]
id = "s{number}"
verify = "none"
max_lane = 10000
[[station.lines]]
kind = "tcp"
options = {{ host = "127.0.0.1", port = {printers} }}
[[station.loaded]]
bag = "b300"
"""
        for number in range(STATIONS)
    )
    return f"""
name = "bench"
gs1.company_prefix = "9521234"
store.url = "sqlite:///{folder}/bench.db"
http.limits.events_per_s = 100000
http.limits.events_at_once = 100000
[[film]]
id = "f"
thickness_um = 60
[[bag]]
id = "b300"
form = "pre_opened"
film = "f"
width_mm = 300
length_mm = 420
{stations}"""


def _serve_gateway(folder: Path, group: int) -> None:
    from gateway import logs
    from gateway.access import keys
    from gateway.app import build, create_app
    from gateway.clock import SystemClock
    from gateway.dispatch.holds import open_hold
    from gateway.site_file import load
    from gateway.store import store as store_module
    from gateway.store.one_step import one_step
    from gateway.store.work import Work
    from gateway.switch import Switch
    from schemas.access import AccessRole

    logs.configure((folder / "log").open("w"))
    store_module.LARGEST_GROUP = group
    file = folder / "site.toml"
    # lines open to it and stay: lanes are held, so nothing is sent
    printers = socket.create_server(("127.0.0.1", 0), backlog=2 * STATIONS)
    file.write_text(_site(folder, printers.getsockname()[1]))
    site = load(file)

    def prepare(work: Work) -> str:
        for station in site.station:
            open_hold(work, station.id, "person", "a bench runs", actor="bench")
        role = AccessRole.STATION
        return keys.new(work, name="bench", role=role, stations=(), expires=None, by="bench")[1]

    (folder / "key").write_text(one_step(site.store.url, SystemClock(), prepare))
    switch = Switch(
        lambda: site, partial(build, environment={}), partial(create_app, site_file=file)
    )
    _run(switch, folder)


def _serve_floor(folder: Path) -> None:
    from fastapi import FastAPI, Request, Response

    app = FastAPI()
    answer = json.dumps({"source": "/bench", "id": "1", "text": "x" * 200}).encode()

    @app.post("/v1/events")
    async def take(request: Request) -> Response:
        await request.body()
        return Response(answer, status_code=202, media_type="application/json")

    _run(app, folder)


def _run(app: object, folder: Path) -> None:
    """Serve as the command does, on a free port whose number stands in a file."""
    import uvicorn

    from gateway.limits.serving import serving
    from schemas.site import Gs1Settings, Site

    site = Site(name="bench", gs1=Gs1Settings(company_prefix="9521234"), station=())
    listening = socket.create_server(("127.0.0.1", 0), backlog=200)
    (folder / "port.part").write_text(str(listening.getsockname()[1]))
    (folder / "port.part").rename(folder / "port")
    settings = serving(site, "127.0.0.1", 0, {})
    uvicorn.Server(uvicorn.Config(app, **settings)).run(sockets=[listening])  # type: ignore[arg-type]


def _store_alone(folder: Path, group: int, writers: int, seconds: float, kind: str) -> None:
    """Commits of one row with the body, so many at once; prints steps per second and their cost."""
    import sqlalchemy as sa

    from gateway.clock import SystemClock
    from gateway.store import store as store_module
    from gateway.store.store import Store
    from gateway.store.work import Work

    store_module.LARGEST_GROUP = group
    requests = Requests(BODIES[kind](), "")
    insert = sa.text("INSERT INTO bare (body) VALUES (:body)")

    async def write() -> str:
        store = Store(f"sqlite:///{folder}/store-{time.monotonic_ns()}.db", SystemClock())
        store.start()
        make = sa.text("CREATE TABLE bare (id INTEGER PRIMARY KEY, body BLOB)")
        await store.write(lambda work: work.conn.execute(make) and None)
        done = 0
        began, spent_before = time.perf_counter(), time.process_time()

        def put(body: bytes, work: Work) -> None:
            work.conn.execute(insert, {"body": body})

        async def writer() -> None:
            nonlocal done
            while time.perf_counter() < began + seconds:
                done += 1
                body = requests.next_body(done)
                await store.write(partial(put, body))

        await asyncio.gather(*(writer() for _ in range(writers)))
        rate = done / (time.perf_counter() - began)
        processor_ms = (time.process_time() - spent_before) / done * 1e3
        store.close()
        return f"{rate} {processor_ms}"

    print(asyncio.run(write()))


BODIES = {"measured": measured_body, "order": order_body}
_WORDS = {
    "measured": "a measured item: checked, kept, in the ledger",
    "order": "a scanned order: bag chosen, label made, job queued too",
}

# ---- the run ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Measured:
    """Events per second, and what one costs the server's processor."""

    per_s: float
    processor_ms: float

    def best(self, other: "Measured | None") -> "Measured":
        """The better of two turns."""
        if other is None:
            return self
        return Measured(max(self.per_s, other.per_s), min(self.processor_ms, other.processor_ms))


Best = dict[tuple[str, int], Measured]


class Server:
    """One server in a process of its own."""

    def __init__(self, folder: Path, *what: str) -> None:
        folder.mkdir()
        self._folder = folder
        self._process = _child(folder, *what)

    def __enter__(self) -> "Server":
        for _ in range(600):
            if (self._folder / "port").exists():
                self.port = int((self._folder / "port").read_text())
                key = self._folder / "key"
                self.key = key.read_text() if key.exists() else "none"
                return self
            if self._process.poll() is not None:
                break
            time.sleep(0.05)
        raise SystemExit("a server did not start")

    def drive(self, requests: Requests, connections: int, seconds: float) -> "Measured":
        """Send as fast as it answers."""
        before, first = self._processor_s(), requests.number
        per_s = asyncio.run(drive(self.port, requests, connections, seconds))
        spent = self._processor_s() - before
        return Measured(per_s, spent / (requests.number - first) * 1e3)

    def _processor_s(self) -> float:
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def __exit__(self, *_: object) -> None:
        self._process.send_signal(signal.SIGTERM)
        self._process.wait(30)


def _child(folder: Path, *what: str) -> "subprocess.Popen[bytes]":
    line = [sys.executable, "-m", "tests.bench.intake", "--serve", str(folder), *what]
    return subprocess.Popen(line, cwd=ROOT, stdout=subprocess.PIPE)


def _store_rate(folder: Path, group: int, writers: int, seconds: float, kind: str) -> Measured:
    process = _child(folder, "store", str(group), str(writers), str(seconds), kind)
    told, _ = process.communicate()
    return Measured(*map(float, told.split()))


def _turns(folder: Path, kind: str, seconds: float, rounds: int) -> Best:
    """The best rate of each, over turns that follow one another."""
    best: Best = {}

    def note(name: str, connections: int, found: Measured) -> None:
        best[name, connections] = found.best(best.get((name, connections)))

    with (
        Server(folder / f"{kind}-gateway", "gateway", "256") as gateway,
        Server(folder / f"{kind}-alone", "gateway", "1") as alone,
        Server(folder / f"{kind}-floor", "floor") as floor,
    ):
        servers = {GATEWAY: gateway, ALONE: alone, FLOOR: floor}
        requests = {name: Requests(BODIES[kind](), one.key) for name, one in servers.items()}
        for name, one in servers.items():
            one.drive(requests[name], 8, 0.5)
        for _ in range(rounds):
            for connections in (1, 64):
                for name, one in servers.items():
                    note(name, connections, one.drive(requests[name], connections, seconds))
                for name, group in ((STORE, 256), (STORE_ALONE, 1)):
                    found = _store_rate(folder, group, connections, seconds, kind)
                    note(name, connections, found)
    return best


def _table(kind: str, best: Best) -> Iterator[str]:
    yield f"{_WORDS[kind]}; {len(BODIES[kind]())} bytes"
    heads = ("1 connection", "64 connections", "CPU ms each, 64")
    yield f"{'events per second':28}" + "".join(f"{head:>17}" for head in heads)
    for name in (GATEWAY, ALONE, FLOOR, STORE, STORE_ALONE):
        one, many = best[name, 1], best[name, 64]
        yield f"{name:28}{one.per_s:17.0f}{many.per_s:17.0f}{many.processor_ms:17.2f}"
    floors = {n: min(best[FLOOR, n].per_s, best[STORE, n].per_s) for n in (1, 64)}
    shares = {n: best[GATEWAY, n].per_s / floors[n] for n in (1, 64)}
    yield f"{'share of the lower floor':28}{shares[1]:17.2f}{shares[64]:17.2f}"
    gains = {n: best[GATEWAY, n].per_s / best[ALONE, n].per_s for n in (1, 64)}
    yield f"{'gain of group commit':28}{gains[1]:17.2f}{gains[64]:17.2f}"


def _serve(folder: str, what: str, *rest: str) -> None:
    if what == "gateway":
        _serve_gateway(Path(folder), int(rest[0]))
    elif what == "floor":
        _serve_floor(Path(folder))
    else:
        group, writers, seconds, kind = rest
        _store_alone(Path(folder), int(group), int(writers), float(seconds), kind)


def main() -> None:
    """Run the bench, or one of its servers."""
    if "--serve" in sys.argv:
        _serve(*sys.argv[sys.argv.index("--serve") + 1 :])
        return
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--seconds", type=float, default=4.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--kind", choices=sorted(BODIES), action="append")
    options = parser.parse_args()
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"SQLite synchronous=FULL; best of {options.rounds} turns of {options.seconds:g} s"
    )
    for kind in options.kind or sorted(BODIES):
        with tempfile.TemporaryDirectory(prefix="bagrelay-bench-") as name:
            best = _turns(Path(name), kind, options.seconds, options.rounds)
        print("\n" + "\n".join(_table(kind, best)), flush=True)


if __name__ == "__main__":
    main()
