"""Many simulated stations in a process of their own, and what came out of them.

`python -m tests.rigs.room FILE NAME...` prints where each station listens, as one JSON object, and
adds a line to FILE for each label that came out: `[station, code]`. It ends with its input.
"""

import asyncio
import contextlib
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Self

from adapters.simulator import SimulatedStation

_LOOK_EVERY_S = 0.02
_PRINT_S = 0.004


async def _main(file: Path, names: Sequence[str]) -> None:
    machines = [SimulatedStation(name, print_s=_PRINT_S) for name in names]
    for machine in machines:
        await machine.start()
    places = {
        m.name: {"station": m.station_address, "printer": m.printer_address} for m in machines
    }
    sys.stdout.write(json.dumps(places) + "\n")
    sys.stdout.flush()
    over = asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    told = [0] * len(machines)
    with file.open("a", encoding="utf-8") as out:
        while True:
            ends = over.done()
            for at, machine in enumerate(machines):
                if machine.printed_count > told[at]:
                    for codes in machine.printed_codes[told[at] :]:
                        out.write(json.dumps([machine.name, codes[0] if codes else ""]) + "\n")
                    told[at] = machine.printed_count
            out.flush()
            if ends:
                break
            await asyncio.sleep(_LOOK_EVERY_S)
    for machine in machines:
        await machine.stop()


class Room:
    """Such a process, from outside."""

    def __init__(self, file: Path, names: Sequence[str]) -> None:
        self._file = file
        self._names = names
        self._read_to = 0
        self._process: asyncio.subprocess.Process
        self.places: dict[str, dict[str, tuple[str, int]]] = {}
        self.printed: dict[str, list[str]] = {name: [] for name in names}
        """Codes that came out at each station, in order, as of the last `look`."""

    async def __aenter__(self) -> Self:
        self._file.touch()
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "tests.rigs.room", str(self._file), *self._names,
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        assert self._process.stdout is not None
        told = json.loads(await self._process.stdout.readline())
        self.places = {
            name: {face: (at[0], at[1]) for face, at in faces.items()}
            for name, faces in told.items()
        }
        return self

    async def __aexit__(self, *problem: object) -> None:
        await self.close()

    async def close(self) -> None:
        """Let it tell the last labels and end."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        await self._process.wait()
        self.look()

    def look(self) -> None:
        """Read what came out since the last look."""
        with self._file.open("rb") as lines:
            lines.seek(self._read_to)
            for line in lines:
                if not line.endswith(b"\n"):
                    break
                self._read_to += len(line)
                station, code = json.loads(line)
                self.printed[station].append(code)


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_main(Path(sys.argv[1]), sys.argv[2:]))
