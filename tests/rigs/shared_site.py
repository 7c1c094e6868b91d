"""The site file of several gateways that share a PostgreSQL, and a scan that it takes."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

_HEAD = """
name = "shared"
[gs1]
company_prefix = "9521234"
[access]
open_door = true
[store]
url = "{store}"
[ledger]
key_file = "{key}"
checkpoint_every_s = 30
[[film]]
id = "white-60"
thickness_um = 60
[[bag]]
id = "small"
form = "pre_opened"
film = "white-60"
width_mm = 250
length_mm = 350
"""
_QUEUE = """
[[queue]]
id = "wms"
url = "{url}"
"""
_STATION = """
[[station]]
id = "{name}"
verify = "none"
max_lane = 1000
retry = {{ first_wait_s = 0.05, longest_wait_s = 0.5, breaker_open_s = 1.0 }}
[[station.lines]]
kind = "{kind}"
options = {{ host = "127.0.0.1", port = {port} }}
[[station.loaded]]
bag = "small"
"""


def write_site(
    path: Path,
    store: str,
    stations: Mapping[str, tuple[str, int]],
    queue: str | None = None,
) -> None:
    """Write a site file; `stations` are kind and port of loopback by name."""
    text = _HEAD.format(store=store, key=path.with_name("ledger-key.pem"))
    text += _QUEUE.format(url=queue) if queue else ""
    for name, (kind, port) in stations.items():
        text += _STATION.format(name=name, kind=kind, port=port)
    path.write_text(text, encoding="utf-8")


def face_of(kind: str) -> str:
    """Which face of a simulated station a kind talks to."""
    return "station" if kind == "simulated" else "printer"


def scan_of(order_id: str) -> dict[str, Any]:
    """What was scanned: a code, with its order of one flat box."""
    size = {"length": 200, "width": 150, "height": 20}
    order = {
        "order_id": order_id,
        "ship_to": {
            "name": "Ilse Beispiel",
            "lines": ["Beispielweg 12"],
            "city": "Beispielstadt",
            "country": "DE",
        },
        "lines": [{"line_id": "1", "item": {"sku": "box", "size": size, "mass_g": 300}}],
    }
    return {"code": order_id, "order": order}


def scan_event(station: str, order_id: str) -> dict[str, Any]:
    """The event of such a scan at a station."""
    return {
        "specversion": "1.0",
        "id": order_id,
        "source": "/shared",
        "type": "bagrelay.order.scanned.v1",
        "data": {"station": station, **scan_of(order_id)},
    }
