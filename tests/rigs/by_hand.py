"""The example's room, warehouse system and gateway as processes of their own, on free ports."""

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from rigs.servers import free_port

ROOT = Path(__file__).parents[2]
START_WITHIN_S = 60.0
PORTS = (8080, 8090, 9101, 9102, 9103, 9104)


@dataclass(frozen=True, slots=True)
class ByHand:
    """Where everything listens and what the gateway logged."""

    gateway: str
    wms: str
    log: Path


@contextmanager
def by_hand(folder: Path, *options: str) -> Iterator[ByHand]:
    """Start all three as the guide says and wait for the gateway; `options` are for its serve."""
    site = (ROOT / "examples" / "room.toml").read_text(encoding="utf-8")
    ports = {port: free_port() for port in PORTS}
    for old, new in ports.items():
        site = site.replace(str(old), str(new))
    file = folder / "room.toml"
    file.write_text(site, encoding="utf-8")
    urls = [f"http://127.0.0.1:{ports[port]}" for port in (8080, 8090)]
    started: list[subprocess.Popen[bytes]] = []
    try:
        for name, command in (
            ("room", [str(ROOT / "examples/room.py"), str(file)]),
            ("wms", [str(ROOT / "examples/wms.py"), "--port", str(ports[8090])]),
            ("gateway", ["-m", "gateway", "serve", str(file), *options]),
        ):
            with (folder / f"{name}.log").open("wb") as log:
                started.append(
                    subprocess.Popen([sys.executable, *command], cwd=folder, stdout=log, stderr=log)
                )
        _wait_for(f"{urls[1]}/healthz", started[1])
        _wait_for(f"{urls[0]}/readyz", started[2])
        yield ByHand(*urls, folder / "gateway.log")
    finally:
        for process in reversed(started):
            process.terminate()
        for process in started:
            process.wait(60)


def _wait_for(url: str, process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + START_WITHIN_S
    while time.monotonic() < deadline:
        if process.poll() is not None:
            raise RuntimeError(f"ended with {process.returncode} before {url} answered")
        try:
            if httpx.get(url, timeout=1).is_success:
                return
        except httpx.TransportError:
            time.sleep(0.05)
    raise RuntimeError(f"{url} did not answer within {START_WITHIN_S:g} s")
