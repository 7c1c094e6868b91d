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
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
STATIONS = 64
GATEWAY, ALONE, FLOOR, STORE, STORE_ALONE = (
    "gateway, group commit",
    "gateway, a commit each",
    "HTTP with an empty handler",
    "store alone, group commit",
    "store alone, a commit each",
)
_PUT = b"NUMBER"

# ---- what is sent -----------------------------------------------------------------------------


def _measured() -> bytes:
    """The smallest event: it is checked, kept, put into the ledger, and nothing follows."""
    data = {
        "station": "sSTATION",
        "code": "C-NUMBER",
        "measured": {"size": {"length": 210, "width": 148, "height": 30}},
    }
    return _envelope("bagrelay.item.measured.v1", data, note="x" * 700)


def order_body() -> bytes:
    """An order that comes with its scan: a bag is chosen, a label made, a job queued."""
    size = {"length": 170, "width": 120, "height": 32}
    item = {"sku": "A-17", "size": size, "mass_g": 300}
    order = {
        "order_id": "O-NUMBER",
        "ship_to": {
            "name": "Ilse Beispiel",
            "lines": ["Beispielweg 12"],
            "postcode": "100 00",
            "city": "Beispielstadt",
            "country": "DE",
        },
        "routing": "DE-15",
        "lines": [{"line_id": "1", "item": item, "quantity": 2}],
    }
    data = {"station": "sSTATION", "code": "O-NUMBER", "order": order}
    return _envelope("bagrelay.order.scanned.v1", data)


def _envelope(kind: str, data: dict[str, Any], **more: str) -> bytes:
    event = {"specversion": "1.0", "id": "NUMBER", "source": "/bench", "type": kind, **more}
    return json.dumps({**event, "data": data}).encode()


@dataclass(slots=True)
class Requests:
    """HTTP requests made from one body, each with numbers of its own."""

    body: bytes
    key: str
    number: int = 0

    def next(self) -> bytes:
        """The bytes of the next request."""
        self.number += 1
        body = self.next_body(self.number)
        head = (
            "POST /v1/events HTTP/1.1\r\nhost: 127.0.0.1\r\n"
            f"authorization: Bearer {self.key}\r\n"
            f"content-type: application/cloudevents+json\r\ncontent-length: {len(body)}\r\n\r\n"
        )
        return head.encode() + body

    def next_body(self, number: int) -> bytes:
        """The body with a number in it."""
        return self.body.replace(_PUT, b"%09d" % number).replace(
            b"STATION", b"%d" % (number % STATIONS)
        )


# ---- the client -------------------------------------------------------------------------------


class Line(asyncio.Protocol):
    """One connection: the next request goes out when the last is answered."""

    def __init__(self, requests: Requests, until: float) -> None:
        self._requests = requests
        self._until = until
        self._got = b""
        self.answered = 0
        self.done = asyncio.get_running_loop().create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        transport.write(self._requests.next())

    def data_received(self, data: bytes) -> None:
        self._got += data
        head, parted, rest = self._got.partition(b"\r\n\r\n")
        if not parted:
            return
        length = int(head.lower().partition(b"content-length:")[2].partition(b"\r\n")[0])
        if len(rest) < length:
            return
        if b" 202 " not in head[:20]:
            self.done.set_exception(SystemExit(self._got.decode()))
            self._transport.close()
            return
        self._got = b""
        self.answered += 1
        if time.perf_counter() >= self._until:
            self.done.set_result(None)
            self._transport.close()
        else:
            self._transport.write(self._requests.next())

    def connection_lost(self, exc: Exception | None) -> None:
        if not self.done.done():
            self.done.set_exception(exc or ConnectionError("the server hung up"))


async def _drive(port: int, requests: Requests, connections: int, seconds: float) -> float:
    """Answered requests per second."""
    loop = asyncio.get_running_loop()
    began = time.perf_counter()
    lines: list[Line] = []
    for _ in range(connections):
        line = Line(requests, began + seconds)
        lines.append(line)
        await loop.create_connection(lambda line=line: line, "127.0.0.1", port)  # type: ignore[misc]
    await asyncio.gather(*(line.done for line in lines))
    return sum(line.answered for line in lines) / (time.perf_counter() - began)


# ---- the servers ------------------------------------------------------------------------------


def _site(folder: Path) -> str:
    stations = "".join(
        f"""
[[station]]
id = "s{number}"
verify = "none"
max_lane = 10000
[[station.lines]]
kind = "tcp"
options = {{ host = "127.0.0.1", port = 9 }}
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
    from schemas.access import AccessRole

    logs.configure((folder / "log").open("w"))
    store_module.LARGEST_GROUP = group
    file = folder / "site.toml"
    file.write_text(_site(folder))
    site = load(file)

    def prepare(work: Work) -> str:
        for station in site.station:
            open_hold(work, station.id, "person", "a bench runs", actor="bench")
        role = AccessRole.STATION
        return keys.new(work, name="bench", role=role, stations=(), expires=None, by="bench")[1]

    (folder / "key").write_text(one_step(site.store.url, SystemClock(), prepare))
    _run(create_app(build(site, environment={}), file), folder)


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
    """Commits of one row with the body, so many at once; prints steps per second."""
    import sqlalchemy as sa

    from gateway.clock import SystemClock
    from gateway.store import store as store_module
    from gateway.store.store import Store
    from gateway.store.work import Work

    store_module.LARGEST_GROUP = group
    requests = Requests(BODIES[kind](), "")
    insert = sa.text("INSERT INTO bare (body) VALUES (:body)")

    async def write() -> float:
        store = Store(f"sqlite:///{folder}/store-{time.monotonic_ns()}.db", SystemClock())
        store.start()
        make = sa.text("CREATE TABLE bare (id INTEGER PRIMARY KEY, body BLOB)")
        await store.write(lambda work: work.conn.execute(make) and None)
        done = 0
        began = time.perf_counter()

        def put(body: bytes, work: Work) -> None:
            work.conn.execute(insert, {"body": body})

        async def writer() -> None:
            nonlocal done
            while time.perf_counter() < began + seconds:
                done += 1
                body = requests.next_body(done)
                await store.write(partial(put, body))

        await asyncio.gather(*(writer() for _ in range(writers)))
        spent = time.perf_counter() - began
        store.close()
        return done / spent

    print(asyncio.run(write()))


BODIES = {"measured": _measured, "order": order_body}
_WORDS = {
    "measured": "a measured item: checked, kept, in the ledger",
    "order": "a scanned order: bag chosen, label made, job queued too",
}

# ---- the run ----------------------------------------------------------------------------------


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

    def __exit__(self, *_: object) -> None:
        self._process.send_signal(signal.SIGTERM)
        self._process.wait(30)


def _child(folder: Path, *what: str) -> "subprocess.Popen[bytes]":
    line = [sys.executable, "-m", "tests.bench.intake", "--serve", str(folder), *what]
    return subprocess.Popen(line, cwd=ROOT, stdout=subprocess.PIPE)


def _store_rate(folder: Path, group: int, writers: int, seconds: float, kind: str) -> float:
    process = _child(folder, "store", str(group), str(writers), str(seconds), kind)
    told, _ = process.communicate()
    return float(told)


def _turns(folder: Path, kind: str, seconds: float, rounds: int) -> dict[tuple[str, int], float]:
    """The best rate of each, over turns that follow one another."""
    best: dict[tuple[str, int], float] = {}

    def note(name: str, connections: int, rate: float) -> None:
        best[name, connections] = max(best.get((name, connections), 0.0), rate)

    with (
        Server(folder / f"{kind}-gateway", "gateway", "256") as gateway,
        Server(folder / f"{kind}-alone", "gateway", "1") as alone,
        Server(folder / f"{kind}-floor", "floor") as floor,
    ):
        servers = {GATEWAY: gateway, ALONE: alone, FLOOR: floor}
        requests = {name: Requests(BODIES[kind](), one.key) for name, one in servers.items()}
        for name, one in servers.items():
            asyncio.run(_drive(one.port, requests[name], 8, 0.5))
        for _ in range(rounds):
            for connections in (1, 64):
                for name, one in servers.items():
                    rate = asyncio.run(_drive(one.port, requests[name], connections, seconds))
                    note(name, connections, rate)
                for name, group in ((STORE, 256), (STORE_ALONE, 1)):
                    rate = _store_rate(folder, group, connections, seconds, kind)
                    note(name, connections, rate)
    return best


def _table(kind: str, best: dict[tuple[str, int], float]) -> Iterator[str]:
    body = len(BODIES[kind]())
    yield f"{_WORDS[kind]}; {body} bytes, events per second"
    yield f"{'':28} {'1 connection':>14} {'64 connections':>15}"
    for name in (GATEWAY, ALONE, FLOOR, STORE, STORE_ALONE):
        yield f"{name:28} {best[name, 1]:14.0f} {best[name, 64]:15.0f}"
    floors = {n: min(best[FLOOR, n], best[STORE, n]) for n in (1, 64)}
    shares = {n: best[GATEWAY, n] / floors[n] for n in (1, 64)}
    yield f"{'share of the lower floor':28} {shares[1]:14.2f} {shares[64]:15.2f}"
    gains = {n: best[GATEWAY, n] / best[ALONE, n] for n in (1, 64)}
    yield f"{'gain of group commit':28} {gains[1]:14.2f} {gains[64]:15.2f}"


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
