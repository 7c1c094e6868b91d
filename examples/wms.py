"""A warehouse system for trying things out: a real HTTP server with orders and moods.

    python examples/wms.py --port 8090 --orders examples/orders.jsonl

    GET  /orders/{code}   the order whose scan_code or order_id is `code`, else 404
    POST /events          takes the gateway's outgoing events (CloudEvents, one or a batch)
    GET  /events          what came in, with how often each came
    GET  /healthz         "ok"
    PUT  /mood            {"slow_s": 0.5, "fail_every": 3, "deaf": false}: be slow, fail now and
                          then (503 and a cut connection in turn), refuse events

It keeps everything in memory and listens on loopback unless told otherwise (--host). Nothing here
is meant for real use.
"""

import argparse
import json
import sys
import threading
from collections.abc import Iterable
from dataclasses import dataclass, field
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import TracebackType
from typing import Self
from urllib.parse import unquote, urlsplit

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]

from schemas.order import Order  # noqa: E402

LARGEST_BODY = 4_000_000


@dataclass
class Mood:
    """How the server behaves; may be changed while it runs."""

    slow_s: float = 0.0
    """Wait before each answer about an order."""
    fail_every: int = 0
    """Every so many questions about an order fail; 0: none does."""
    deaf: bool = False
    """Answer 503 to every event."""


@dataclass
class Received:
    """An event that came in, and how often."""

    event: dict[str, object]
    times: int = 1


@dataclass
class _Desk:
    """What the request handlers share; held under one lock."""

    orders: dict[str, bytes]
    token: str | None
    mood: Mood = field(default_factory=Mood)
    events: dict[tuple[str, str], Received] = field(default_factory=dict)
    asked: int = 0
    failed: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)
    stopping: threading.Event = field(default_factory=threading.Event)


class FakeWms:
    """The server as a context manager: `with FakeWms(orders) as wms: wms.order_url`."""

    def __init__(
        self,
        orders: Iterable[Order],
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        token: str | None = None,
    ) -> None:
        known: dict[str, bytes] = {}
        for order in orders:
            body = order.model_dump_json(exclude_defaults=True).encode()
            known[order.order_id] = body
            known[order.scan_code or order.order_id] = body
        self._desk = _Desk(known, token)
        handler = type("Handler", (_Handler,), {"desk": self._desk})
        self._server = _Server((host, port), handler)
        self._thread = threading.Thread(target=self._server.serve_forever, name="wms", daemon=True)

    @property
    def url(self) -> str:
        """The server's address."""
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    @property
    def order_url(self) -> str:
        """What a site file's `wms.url` wants."""
        return f"{self.url}/orders/{{code}}"

    @property
    def mood(self) -> Mood:
        """Change its members to change how the server behaves."""
        return self._desk.mood

    @property
    def asked(self) -> int:
        """Questions about orders so far."""
        return self._desk.asked

    @property
    def events(self) -> list[Received]:
        """Events that came in, in the order of their first coming."""
        with self._desk.lock:
            return list(self._desk.events.values())

    def start(self) -> None:
        """Answer from a thread of its own."""
        self._thread.start()

    def stop(self) -> None:
        """Stop answering and let go of the port."""
        self._desk.stopping.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(timeout=5)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    # A gateway under load opens many connections at once; the default backlog of 5 drops some.
    request_queue_size = 128

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that hangs up is no news."""


class _Handler(BaseHTTPRequestHandler):
    desk: _Desk
    protocol_version = "HTTP/1.1"
    timeout = 30

    def do_GET(self) -> None:
        path = urlsplit(self.path).path
        if path == "/healthz":
            self._answer(HTTPStatus.OK, b'"ok"')
        elif path == "/events":
            with self.desk.lock:
                told = [{"times": r.times, "event": r.event} for r in self.desk.events.values()]
            self._answer(HTTPStatus.OK, json.dumps(told).encode())
        elif path.startswith("/orders/"):
            self._order(unquote(path.removeprefix("/orders/")))
        else:
            self._answer(HTTPStatus.NOT_FOUND, b'{"detail": "nothing is kept under that path"}')

    def do_POST(self) -> None:
        if urlsplit(self.path).path != "/events":
            self._answer(HTTPStatus.NOT_FOUND, b'{"detail": "events go to /events"}')
            return
        said = self._body()
        if self.desk.mood.deaf:
            self._answer(HTTPStatus.SERVICE_UNAVAILABLE, b'{"detail": "not listening now"}')
            return
        for event in said if isinstance(said, list) else [said]:
            if not isinstance(event, dict) or not {"id", "source", "type"} <= event.keys():
                self._answer(HTTPStatus.BAD_REQUEST, b'{"detail": "not a CloudEvent"}')
                return
            key = (str(event["source"]), str(event["id"]))
            with self.desk.lock:
                if key in self.desk.events:
                    self.desk.events[key].times += 1
                else:
                    self.desk.events[key] = Received(event)
        self._answer(HTTPStatus.NO_CONTENT, b"")

    def do_PUT(self) -> None:
        said = self._body()
        if urlsplit(self.path).path != "/mood" or not isinstance(said, dict):
            self._answer(HTTPStatus.NOT_FOUND, b'{"detail": "only /mood can be put"}')
            return
        for name, value in said.items():
            if hasattr(self.desk.mood, name):
                setattr(self.desk.mood, name, value)
        self._answer(HTTPStatus.NO_CONTENT, b"")

    def _order(self, code: str) -> None:
        if self.desk.token and self.headers.get("Authorization") != f"Bearer {self.desk.token}":
            self._answer(HTTPStatus.UNAUTHORIZED, b'{"detail": "a bearer token is needed"}')
            return
        with self.desk.lock:
            self.desk.asked += 1
            every = self.desk.mood.fail_every
            fails = bool(every) and self.desk.asked % every == 0
            self.desk.failed += fails
            cut = self.desk.failed % 2 == 0
        if self.desk.mood.slow_s:
            self.desk.stopping.wait(self.desk.mood.slow_s)
        if fails and cut:
            self.close_connection = True
            return
        if fails:
            self._answer(HTTPStatus.SERVICE_UNAVAILABLE, b'{"detail": "busy, ask again"}')
        elif (body := self.desk.orders.get(code)) is not None:
            self._answer(HTTPStatus.OK, body)
        else:
            self._answer(HTTPStatus.NOT_FOUND, b'{"detail": "no order has this code"}')

    def _body(self) -> object:
        length = int(self.headers.get("Content-Length") or 0)
        if length > LARGEST_BODY:
            self.close_connection = True
            return None
        try:
            parsed: object = json.loads(self.rfile.read(length))
        except ValueError:
            return None
        return parsed

    def _answer(self, status: HTTPStatus, body: bytes) -> None:
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002
        """Say nothing: the demo's own display is what people look at."""


def read_orders(file: Path) -> list[Order]:
    """Orders of a JSON Lines file."""
    lines = file.read_text(encoding="utf-8").splitlines()
    return [Order.model_validate_json(line) for line in lines if line.strip()]


def main() -> None:
    """Serve until interrupted."""
    options = argparse.ArgumentParser(description="A warehouse system for trying things out.")
    options.add_argument("--host", default="127.0.0.1")
    options.add_argument("--port", type=int, default=8090)
    options.add_argument("--orders", type=Path, default=ROOT / "examples" / "orders.jsonl")
    options.add_argument("--slow-s", type=float, default=0.0)
    options.add_argument("--fail-every", type=int, default=0)
    options.add_argument("--token", help="demand this bearer token")
    given = options.parse_args()
    orders = read_orders(given.orders)
    wms = FakeWms(orders, host=given.host, port=given.port, token=given.token)
    wms.mood.slow_s, wms.mood.fail_every = given.slow_s, given.fail_every
    wms.start()
    print(f"orders at {wms.order_url}, events to {wms.url}/events; Ctrl-C stops", flush=True)
    try:
        threading.Event().wait()
    except KeyboardInterrupt:
        wms.stop()


if __name__ == "__main__":
    main()
