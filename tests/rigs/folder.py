"""An old spooler: takes labels from a folder, prints them, leaves receipts."""

import asyncio
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from adapters.kit import Rig, code_on
from adapters.kit.conformance import eventually
from schemas.station import OptionValue


class FolderRig(Rig):
    """Looks into the folder again and again, as such programs do."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self._spool = Path(self._folder.name) / "spool"
        self._labels: list[str] = []
        self._task: asyncio.Task[None] | None = None
        self._takes, self._pause = True, 0.002
        self._next = ""

    async def start(self) -> None:
        for name in ("out", "receipts"):
            (self._spool / name).mkdir(parents=True)
        self._task = asyncio.create_task(self._run(), name="rig spooler")

    async def stop(self) -> None:
        assert self._task is not None
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
        self._folder.cleanup()

    def options(self) -> Mapping[str, OptionValue]:
        return {"spool": str(self._spool), "take_s": 0.5, "print_s": 0.3}

    async def printed(self, at_least: int) -> tuple[str, ...]:
        await eventually(lambda: len(self._labels) >= at_least, f"fewer than {at_least} labels")
        return tuple(self._labels)

    async def off(self) -> None:
        self._spool.rename(self._spool.with_name("gone"))

    async def on(self) -> None:
        self._spool.with_name("gone").rename(self._spool)

    def lose_next_answer(self) -> None:
        self._next = "no receipt"

    def garbage_next(self) -> None:
        self._next = "garbage"

    def refuse_next(self) -> None:
        self._next = "refuse"

    def silent(self) -> None:
        self._takes = False

    def slow(self) -> None:
        self._pause = 0.05

    def heal(self) -> None:
        self._takes, self._pause, self._next = True, 0.002, ""

    def lines(self) -> int:
        return 0

    async def _run(self) -> None:
        while True:
            await asyncio.sleep(self._pause)
            with suppress(FileNotFoundError):
                for file in sorted((self._spool / "out").glob("[0-9]*")):
                    if self._takes:
                        self._take(file)

    def _take(self, file: Path) -> None:
        mine = file.with_name(f".{file.name}.taken")
        file.rename(mine)
        label = mine.read_bytes()
        mine.unlink()
        how, self._next = self._next, ""
        receipts = self._spool / "receipts"
        if how == "refuse":
            (receipts / f"{file.stem}.refused").write_text("told to refuse\n")
            return
        self._labels.append(code_on(label))
        if how == "garbage":
            (receipts / f"{file.stem}.wh?t").write_bytes(b"\x00\xff")
        elif how != "no receipt":
            (receipts / f"{file.stem}.printed").touch()
