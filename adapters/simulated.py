"""A station that speaks the simulator's own protocol: JSON lines over TCP.

Client to station, each with an `id` that the answer repeats as `re`:
    {"type": "job", "id", "job_id", "bag", "slot", "width_mm", "length_mm", "language", "seal",
     "label": base64}        -> {"stage": "accepted"}, later {"stage": "printed", "device_job"};
                                or {"refused": why}, or {"needs_person": why}
    {"type": "state"}        -> a StationCondition
    {"type": "fate", "job_id"} -> {"fate": ...}
    {"type": "count"}        -> {"count": n}
    {"type": "hold", "reason"}, {"type": "release"} -> {"ok": true}
    {"type": "pass_by", "code", "reason"} -> {"ok": true}
Station to client at any time: {"signal": kind, "number": n, ...}; n rises along the connection.
A job id that was printed is answered with its stage and "repeated": true, and not printed again.
"""

import asyncio
import base64
import contextlib
import json
from collections.abc import AsyncIterator
from functools import partial
from typing import ClassVar, Self

from pydantic import ValidationError

from adapters.contract import Claims, LineSettings
from adapters.errors import FateUnknown, NeedsPerson, NothingSent, Refused
from adapters.json_lines import Garbage, JsonLines, Message
from adapters.line import Connect, LineLost, TcpLine
from adapters.options import Options
from adapters.reports import Reports
from schemas.station import (
    Fate,
    MachineState,
    Receipt,
    ReceiptStage,
    Signal,
    SignalKind,
    StationCondition,
    StationOrder,
)

_Answers = asyncio.Queue[Message]


class Simulated:
    """Knows a job's fate, drops repeats, counts labels, reports everything that it does."""

    claims: ClassVar[Claims] = Claims(
        knows=frozenset({ReceiptStage.ACCEPTED, ReceiptStage.PRINTED, ReceiptStage.SEALED}),
        drops_repeats=True,
        can_be_asked=True,
        counts_labels=True,
        reports=frozenset(kind.value for kind in SignalKind),
        makes_bags=True,
        holds=True,
        passes_by=True,
        deliver_within_s=12.0,
    )

    def __init__(
        self, station: str, connect: Connect, *, answer_s: float = 3.0, print_s: float = 5.0
    ) -> None:
        self.station = station
        self._connect = connect
        self._answer_s, self._print_s = answer_s, print_s
        self._talk: JsonLines | None = None
        self._reader: asyncio.Task[None] | None = None
        self._asked: dict[int, _Answers] = {}
        self._count = 0
        self._reports = Reports()
        self._connecting = asyncio.Lock()

    @classmethod
    def from_settings(cls, settings: LineSettings) -> Self:
        """Options: host ("127.0.0.1"), port, connect_s, answer_s, print_s."""
        options = Options(settings)
        connect = partial(
            TcpLine.connect,
            options.text("host", "127.0.0.1"),
            options.port(),
            options.seconds("connect_s", 3.0),
        )
        adapter = cls(
            settings.station,
            connect,
            answer_s=options.seconds("answer_s", 3.0),
            print_s=options.seconds("print_s", 5.0),
        )
        options.finish()
        return adapter

    async def open(self) -> None:
        """Connect unless there is a living line."""
        await self._living()

    async def close(self) -> None:
        """Let go of line and reader; `signals` ends when it has handed on what came."""
        self._reports.end()
        async with self._connecting:
            await self._hang_up()

    async def deliver(self, order: StationOrder) -> Receipt:
        """Send one job; `PRINTED` when it says so within print_s, else `ACCEPTED`."""
        talk = await self._living()
        job = order.model_dump(
            mode="json", include={"job_id", "bag", "slot", "width_mm", "length_mm", "seal"}
        ) | {
            "language": order.language.value,
            "label": base64.b64encode(order.label).decode("ascii"),
        }
        number, answers = self._ask_slot()
        sent = 0
        try:
            # "type" goes first: the station's fault script looks for it.
            sent = await talk.send({"type": "job", "id": number} | job, self._answer_s)
            return await self._receipt(order, answers, sent)
        except LineLost as lost:
            await self._hang_up()
            raise self._lost(lost.why, max(sent, lost.sent)) from lost
        except BaseException:
            # Cancelled: an answer that comes later must not be taken for the next job's.
            if sent == 0:
                await self._hang_up()
            raise
        finally:
            self._asked.pop(number, None)

    async def state(self) -> StationCondition:
        """The station's own state."""
        answer = await self._question({"type": "state"})
        answer.pop("re", None)
        try:
            return StationCondition.model_validate_json(json.dumps(answer))
        except (ValidationError, ValueError):
            return StationCondition(state=MachineState.UNKNOWN)

    async def fate(self, job_id: str) -> Fate:
        """What became of a job."""
        answer = await self._question({"type": "fate", "job_id": job_id})
        with contextlib.suppress(ValueError):
            return Fate(str(answer.get("fate")))
        return Fate.CANNOT_TELL

    async def labels_printed(self) -> int:
        """The station's count."""
        count = (await self._question({"type": "count"})).get("count")
        if not isinstance(count, int):
            raise NothingSent(f"station {self.station} does not tell its count")
        return count

    async def hold(self, reason: str) -> None:
        """Ask it to make no further bag."""
        await self._question({"type": "hold", "reason": reason})

    async def release(self) -> None:
        """Tell it that it may go on."""
        await self._question({"type": "release"})

    async def pass_by(self, code: str, reason: str) -> None:
        """Tell it to let goods pass unpacked."""
        await self._question({"type": "pass_by", "code": code, "reason": reason})

    async def signals(self) -> AsyncIterator[Signal]:
        """Reports in order; a lost line shows as the state `OFFLINE` at the end."""
        async for signal in self._reports.stream():
            yield signal

    async def _living(self) -> JsonLines:
        async with self._connecting:
            gone = self._reader is None or self._reader.done()
            if self._talk is not None and not gone and not self._talk.line.ended():
                return self._talk
            await self._hang_up()
            try:
                line = await self._connect()
            except LineLost as lost:
                raise self._lost(lost.why, 0) from lost
            self._talk = JsonLines(line)
            self._reports.begin()
            self._reader = asyncio.create_task(
                self._read(self._talk), name=f"reports of station {self.station}"
            )
            return self._talk

    async def _hang_up(self) -> None:
        talk, self._talk = self._talk, None
        reader, self._reader = self._reader, None
        if reader is not None:
            reader.cancel()
            await asyncio.gather(reader, return_exceptions=True)
        if talk is not None:
            talk.line.abort()

    async def _read(self, talk: JsonLines) -> None:
        try:
            while (message := await talk.receive()) is not None:
                if "signal" in message:
                    self._report(message)
                else:
                    self._hand_on(message)
        except (LineLost, Garbage) as lost:
            self._reports.nonsense(str(lost))
        finally:
            for answers in self._asked.values():
                answers.put_nowait({"lost": True})
            self._reports.lost()

    def _report(self, message: Message) -> None:
        said = {"kind": message.pop("signal")} | message
        try:
            self._reports.take(Signal.model_validate_json(json.dumps(said)))
        except ValidationError:
            self._reports.nonsense("a report that makes no sense")

    def _hand_on(self, message: Message) -> None:
        about = message.get("re")
        if isinstance(about, int) and about in self._asked:
            self._asked[about].put_nowait(message)

    def _ask_slot(self) -> tuple[int, _Answers]:
        self._count += 1
        answers = self._asked[self._count] = asyncio.Queue()
        return self._count, answers

    async def _receipt(self, order: StationOrder, answers: _Answers, sent: int) -> Receipt:
        accepted, repeated = False, False
        try:
            async with asyncio.timeout(self._answer_s) as deadline:
                while True:
                    answer = await answers.get()
                    repeated = repeated or answer.get("repeated") is True
                    if answer.get("stage") == "printed":
                        return Receipt(
                            job_id=order.job_id,
                            stage=ReceiptStage.PRINTED,
                            bytes_sent=sent,
                            device_job=str(answer.get("device_job", ""))[:200],
                            repeated=repeated,
                        )
                    self._raise_for(answer, sent)
                    accepted = True
                    deadline.reschedule(asyncio.get_running_loop().time() + self._print_s)
        except TimeoutError as late:
            if not accepted:
                raise self._lost("no answer to the job", sent) from late
        return Receipt(
            job_id=order.job_id, stage=ReceiptStage.ACCEPTED, bytes_sent=sent, repeated=repeated
        )

    def _raise_for(self, answer: Message, sent: int) -> None:
        where = f"station {self.station}"
        if "refused" in answer:
            raise Refused(f"{where} refused the job: {answer['refused']}", bytes_sent=sent)
        if "needs_person" in answer:
            raise NeedsPerson(
                f"{where}: {answer['needs_person']}", do="Put it right at the station."
            )
        if answer.get("stage") != "accepted":
            raise self._lost("the line was lost before the answer", sent)

    def _lost(self, why: str, sent: int) -> NothingSent | FateUnknown:
        where = f"station {self.station}: {why}"
        if sent == 0:
            return NothingSent(where, do="Look at its power and its network.")
        return FateUnknown(where, do="Ask the station, or look at its bags.", bytes_sent=sent)

    async def _question(self, message: Message) -> Message:
        talk = await self._living()
        number, answers = self._ask_slot()
        try:
            await talk.send(message | {"id": number}, self._answer_s)
            async with asyncio.timeout(self._answer_s):
                answer = await answers.get()
        except (LineLost, TimeoutError) as lost:
            raise NothingSent(f"station {self.station} does not answer") from lost
        finally:
            self._asked.pop(number, None)
        if "lost" in answer:
            raise NothingSent(f"station {self.station} hung up")
        return answer
