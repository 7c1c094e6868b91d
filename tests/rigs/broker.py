"""A real MQTT broker on a free port of loopback."""

import asyncio
import contextlib
import shutil
import socket
import tempfile
from pathlib import Path

import pytest


class Mosquitto:
    """The broker that Debian packages; skipped with a reason where it is not installed."""

    def __init__(self, more_settings: str = "") -> None:
        """`more_settings` are lines of its settings file, such as a second listener."""
        self.port = 0
        self._more = more_settings
        self._folder = tempfile.TemporaryDirectory()
        self._process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        """Start it and wait until it answers."""
        program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
        if program is None:
            pytest.skip("no mosquitto on this machine")
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = int(free.getsockname()[1])
        settings = Path(self._folder.name) / "mosquitto.conf"
        settings.write_text(
            "per_listener_settings true\n"
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
            f"log_type none\n{self._more}"
        )
        self._process = await asyncio.create_subprocess_exec(
            program,
            "-c",
            str(settings),
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        await self._answers()

    async def _answers(self) -> None:
        async with asyncio.timeout(5):
            while True:
                with contextlib.suppress(OSError):
                    _, writer = await asyncio.open_connection("127.0.0.1", self.port)
                    writer.close()
                    await writer.wait_closed()
                    return
                await asyncio.sleep(0.01)

    async def stop(self) -> None:
        """End it."""
        if self._process is not None:
            self._process.terminate()
            await self._process.wait()
            self._process = None
        self._folder.cleanup()
