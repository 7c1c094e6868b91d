"""Events over HTTP as fast as they are answered: bodies, requests and a client that is cheap."""

import asyncio
import json
import time
from dataclasses import dataclass
from typing import Any

STATIONS = 64
_PUT = b"NUMBER"


def measured_body() -> bytes:
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


async def drive(port: int, requests: Requests, connections: int, seconds: float) -> float:
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
