"""A drop folder as a way in: files with events, claimed by renaming, each answered.

    FOLDER/            a sender writes NAME.json under another name and renames it to this
    FOLDER/taken/      claimed, being worked on; taken up again after a crash
    FOLDER/answers/    NAME.json: what became of each event
    FOLDER/refused/    NAME.json as it came, with NAME.json.why.json beside it
A `.json` file holds one event or a list of them, a `.jsonl` file one on each line. A file that
holds one bad event among good ones is answered for each, and kept among the refused ones too. The
same file again does nothing twice: source and id tell.
"""

import asyncio
import contextlib
import os
import random
import stat
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import orjson
import structlog

from gateway.clock import Clock
from gateway.errors import GatewayError, Malformed, TooLarge
from gateway.intake.accept import Intake
from gateway.intake.envelope import parse_json, read_structured
from gateway.queues.decide import Next, Outcome, decide, wait_s
from gateway.queues.handle import Handled, handle, refusal
from schemas.queues import FolderIn, WayIn

log = structlog.get_logger(__name__)

ENDINGS = (".json", ".jsonl")
STILL_WRITTEN_S = 2.0
"""A file that reads badly and was touched so lately may not be whole yet."""
_TAKEN, _ANSWERS, _REFUSED = "taken", "answers", "refused"
_TIDY_EVERY = 1000


class _NotYet(Exception):
    """The file may still be being written."""


@dataclass(frozen=True, slots=True)
class _Answer:
    source: str | None
    id: str | None
    handled: Handled

    def told(self) -> dict[str, object]:
        """As it stands in an answer file."""
        if self.handled.accepted is not None:
            return self.handled.accepted.model_dump(mode="json", exclude_none=True)
        wrong = {"problem": self.handled.problem, "detail": self.handled.reason}
        return {"source": self.source, "id": self.id, **wrong}


class DropFolder:
    """Looks into the folder again and again; one file after the other, the oldest first."""

    def __init__(
        self, settings: FolderIn, intake: Intake, clock: Clock, *, max_bytes: int, keep_days: int
    ) -> None:
        self._settings = settings
        self._root = settings.path
        self._intake = intake
        self._clock = clock
        self._max_bytes = max_bytes
        self._keep_days = keep_days
        self._task: asyncio.Task[None] | None = None
        self._taken = 0
        self._refused = 0
        self._in_hand = 0
        self._text = ""

    def view(self) -> WayIn:
        """How it is doing."""
        return WayIn(
            way=f"folder {self._root.name}",
            connected=not self._text.startswith("the folder"),
            in_hand=self._in_hand,
            taken=self._taken,
            refused=self._refused,
            text=self._text,
        )

    def start(self) -> None:
        """Begin; whether the folder is there or not."""
        self._task = asyncio.create_task(self._run(), name="drop folder")

    async def stop(self) -> None:
        """Stop; a file in hand stays among the taken ones and is taken up at the next start."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
            self._task = None

    async def _run(self) -> None:
        unfinished = True
        looks = 0
        while True:
            try:
                if unfinished:
                    for file in await asyncio.to_thread(self._left_over):
                        await self._work_off(file)
                    unfinished = False
                if looks % _TIDY_EVERY == 0:
                    await asyncio.to_thread(self._tidy)
                looks += 1
                for name in await asyncio.to_thread(self._waiting):
                    await self._one(name)
                if self._text.startswith("the folder"):
                    self._text = ""
            except OSError as error:
                text = f"the folder can't be used: {error.strerror or error}"
                if text != self._text:
                    log.warning("folder.away", folder=str(self._root), text=text)
                self._text = text
            await asyncio.sleep(self._settings.every_s)

    # Files

    def _waiting(self) -> list[str]:
        found = []
        with os.scandir(self._root) as entries:
            for entry in entries:
                plain = entry.is_file(follow_symlinks=False) and not entry.name.startswith(".")
                if plain and entry.name.lower().endswith(ENDINGS):
                    found.append((entry.stat(follow_symlinks=False).st_mtime_ns, entry.name))
        return [name for _, name in sorted(found)]

    def _left_over(self) -> list[Path]:
        for part in (_TAKEN, _ANSWERS, _REFUSED):
            (self._root / part).mkdir(parents=True, exist_ok=True)
        return sorted(self._root.joinpath(_TAKEN).iterdir())

    async def _one(self, name: str) -> None:
        claimed = await asyncio.to_thread(self._claim, name)
        if claimed is not None:
            await self._work_off(claimed)

    def _claim(self, name: str) -> Path | None:
        """Rename it to where only we look; None where another gateway was quicker."""
        claimed = self._root / _TAKEN / name
        if claimed.exists():
            return None  # the earlier file of that name is in work
        try:
            (self._root / name).rename(claimed)
        except FileNotFoundError:
            return None
        return claimed

    async def _work_off(self, file: Path) -> None:
        try:
            events = await asyncio.to_thread(self._events_of, file)
        except _NotYet:
            await asyncio.to_thread(file.rename, self._root / file.name)
            return
        except FileNotFoundError:
            return
        except GatewayError as wrong:
            await asyncio.to_thread(self._refuse, file, [_Answer(None, None, refusal(wrong))])
            return
        answers = []
        self._in_hand = len(events)
        for raw in events:
            answers.append(await self._settle(raw))
            self._in_hand -= 1
        wrong_ones = [one for one in answers if one.handled.accepted is None]
        await asyncio.to_thread(self._close, file, answers, refused=bool(wrong_ones))
        log.info("folder.taken", file=file.name, events=len(answers), refused=len(wrong_ones))

    def _events_of(self, file: Path) -> list[bytes]:
        """The raw events of a file. Raises `Malformed`, `TooLarge`, `_NotYet`, `OSError`."""
        handle_ = os.open(file, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        with os.fdopen(handle_, "rb") as stream:
            about = os.fstat(stream.fileno())
            if not stat.S_ISREG(about.st_mode):
                raise Malformed("It is no plain file.")
            if about.st_size > self._max_bytes:
                raise TooLarge(
                    f"It has {about.st_size} bytes; at most {self._max_bytes} are taken."
                )
            content = stream.read(self._max_bytes + 1)
        try:
            return _split(file.name, content)
        except Malformed:
            age_s = self._clock.now().timestamp() - about.st_mtime
            if 0 <= age_s < STILL_WRITTEN_S:
                raise _NotYet from None
            raise

    def _close(self, file: Path, answers: list[_Answer], *, refused: bool) -> None:
        _write_whole(self._root / _ANSWERS / _json_name(file), [one.told() for one in answers])
        if refused:
            self._refuse(file, [one for one in answers if one.handled.accepted is None])
        else:
            file.unlink(missing_ok=True)

    def _refuse(self, file: Path, wrong: list[_Answer]) -> None:
        kept = self._root / _REFUSED / file.name
        _write_whole(kept.with_name(f"{file.name}.why.json"), [one.told() for one in wrong])
        file.replace(kept)
        self._refused += len(wrong)
        log.warning("folder.refused", file=file.name, reason=wrong[0].handled.reason)

    def _tidy(self) -> None:
        """Erase answers and refused files when payloads are erased: they hold addresses too."""
        before = (self._clock.now() - timedelta(days=self._keep_days)).timestamp()
        for part in (_ANSWERS, _REFUSED):
            for file in self._root.joinpath(part).iterdir():
                if file.lstat().st_mtime < before:
                    file.unlink(missing_ok=True)

    # Events

    async def _settle(self, raw: bytes) -> _Answer:
        tries = 0
        try:
            incoming = read_structured(raw)
        except GatewayError as wrong:
            return _Answer(None, None, refusal(wrong))
        event = incoming.event
        while True:
            tries += 1
            handled = await handle(self._intake, incoming, "folder")
            if decide(tries, handled.outcome) is not Next.LATER:
                self._taken += handled.outcome is Outcome.DURABLE
                self._text = ""
                return _Answer(event.source, event.id, handled)
            self._text = handled.reason
            await asyncio.sleep(wait_s(tries, random.random()))  # noqa: S311, TID251


def _split(name: str, content: bytes) -> list[bytes]:
    if name.lower().endswith(".jsonl"):
        return [line for line in content.splitlines() if line.strip()]
    value = parse_json(content)
    if isinstance(value, list):
        return [orjson.dumps(member) for member in value]
    return [content]


def _json_name(file: Path) -> str:
    return file.name if file.suffix.lower() == ".json" else f"{file.name}.json"


def _write_whole(path: Path, told: list[dict[str, object]]) -> None:
    """Write under another name, flush to disk, rename: a reader never sees half of it."""
    draft = path.with_name(f".{path.name}.part")
    with draft.open("wb") as stream:
        stream.write(orjson.dumps(told, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE))
        stream.flush()
        os.fsync(stream.fileno())
    draft.replace(path)
    with contextlib.suppress(OSError):
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
