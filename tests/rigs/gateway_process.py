"""`bagrelay serve` as a process of its own: started, killed, paused and let go on by a test."""

import asyncio
import os
import random
import signal
import socket
import sys
import time
from pathlib import Path

import httpx

ROOT = Path(__file__).resolve().parents[2]
READY_WITHIN_S = 90.0


def lasting_port() -> int:
    """A free port that no outgoing connection takes while its server is away.

    Below the range that Linux takes such ports from by default (32768 to 60999).
    """
    while True:
        port = random.randrange(15000, 32000)
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
        return port


class GatewayProcess:
    """One gateway on a site file. Its port stays the same over its lives."""

    def __init__(self, name: str, site: Path) -> None:
        self.name = name
        self.port = lasting_port()
        self.paused = False
        self._site = site
        self._log = site.with_suffix(".log")
        self._process: asyncio.subprocess.Process | None = None

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def ended_by_itself(self) -> bool:
        """Whether it was started and is gone, and nobody here ended it."""
        return self._process is not None and self._process.returncode is not None

    @property
    def last_words(self) -> str:
        """The end of what it logged."""
        return self._log.read_text(encoding="utf-8", errors="replace")[-2000:]

    async def start(self) -> None:
        """Start it; it need not be ready yet."""
        log = self._log.open("ab")
        with log:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "gateway", "serve", str(self._site),
                "--port", str(self.port),
                stdout=log, stderr=log, cwd=ROOT,
                env={**os.environ, "PYTHONPATH": str(ROOT)},
            )  # fmt: skip
        self.paused = False

    async def ready(self) -> bool:
        """Wait until it takes scans; False where it ended instead or took too long."""
        ends = time.monotonic() + READY_WITHIN_S
        async with httpx.AsyncClient(trust_env=False, timeout=5) as client:
            while time.monotonic() < ends and not self.ended_by_itself:
                try:
                    if (await client.get(f"{self.url}/readyz")).is_success:
                        return True
                except httpx.TransportError:
                    pass
                await asyncio.sleep(0.05)
        return False

    async def kill(self) -> None:
        """End it as a power cut would."""
        await self._end(signal.SIGKILL)

    async def stop(self) -> int:
        """Ask it to end, wait, and say its exit code."""
        return await self._end(signal.SIGTERM)

    def pause(self) -> None:
        """Stop it amid whatever it does; nothing of it runs until `go_on`."""
        self._signal(signal.SIGSTOP)
        self.paused = True

    def go_on(self) -> None:
        """Let it go on as if no time had passed."""
        self._signal(signal.SIGCONT)
        self.paused = False

    def _signal(self, what: signal.Signals) -> None:
        assert self._process is not None
        if self._process.returncode is None:
            self._process.send_signal(what)

    async def _end(self, how: signal.Signals) -> int:
        process, self._process = self._process, None
        self.paused = False
        if process is None:
            return 0
        if process.returncode is None:
            process.send_signal(how)
            if how is not signal.SIGKILL:
                process.send_signal(signal.SIGCONT)
        return await process.wait()
