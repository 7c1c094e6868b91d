"""A label printer on a byte line of any sort; the raw TCP and the serial kind stand on it."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import ClassVar, TypedDict

from adapters.awake import Awake
from adapters.contract import Claims
from adapters.errors import FateUnknown, Misconfigured, NeedsPerson, NothingSent
from adapters.line import Connect, Line, LineLost
from adapters.options import Options
from adapters.standing_line import StandingLine, read_until
from adapters.status import QUESTIONS, ask_counter, counter, counter_whole
from schemas.station import (
    MachineState,
    Receipt,
    ReceiptStage,
    StationCondition,
    StationOrder,
)

_RESET_FOLLOWS_S = 0.03
"""A peer that drops a label resets the line about a round trip later."""
_LOOK_S = 0.001


class BytePrinter(StandingLine):
    """Sends a label's bytes once, and asks for the printer's status where that is set up.

    `ask` is "none", "zpl-status" or "epl-status". With a status query a printer that stays silent
    is sent nothing: it may accept bytes and never read them. An answer that comes after the label
    on the same line proves that the printer has read the label: then it is "accepted". Without a
    query only "sent" is known: the peer's system took the bytes, and it may still drop them.
    """

    claims: ClassVar[Claims] = Claims(
        knows=frozenset({ReceiptStage.SENT, ReceiptStage.ACCEPTED}),
        deliver_within_s=20.0,
        state_within_s=5.0,
    )

    def __init__(
        self,
        station: str,
        connect: Connect,
        *,
        ask: str = "none",
        write_s: float = 10.0,
        answer_s: float = 2.0,
    ) -> None:
        super().__init__(station, connect)
        self._ask = ask
        self._write_s, self._answer_s = write_s, answer_s
        self._awake = Awake()
        if ask == "none":
            # The kind can know more than this line does.
            self.claims = replace(  # type: ignore[misc]
                self.claims, knows=frozenset({ReceiptStage.SENT})
            )

    async def deliver(self, order: StationOrder) -> Receipt:
        """Send the label's bytes once, and see that the printer still reads, if it can be asked."""
        self._awake = Awake()
        await self.living()
        await self._look()
        line = await self._send(order.label)
        stage = ReceiptStage.SENT
        if self._ask != "none" and await self._reads_on(line, len(order.label)):
            stage = ReceiptStage.ACCEPTED
        return Receipt(job_id=order.job_id, stage=stage, bytes_sent=len(order.label))

    async def _reads_on(self, line: Line, sent: int) -> bool:
        """Whether the printer answers behind the label, on the same line."""
        await self._not_reset(line, sent)
        try:
            answers = await self._condition() is not None
        except NothingSent as lost:
            raise self._unknown(lost, sent) from lost
        return answers and self._line is line

    async def _not_reset(self, line: Line, sent: int) -> None:
        """A line that was reset may have taken the label with it. Raises `FateUnknown`.

        A printer that closes its line in order after each label has done nothing wrong.
        """
        if self._line is not line:
            return
        try:
            await line.watch(_LOOK_S)
        except LineLost as lost:
            self.drop()
            raise self.lost(lost.why, sent) from lost

    def _unknown(self, lost: NothingSent, sent: int) -> FateUnknown:
        return FateUnknown(lost.what, do="Look whether the label came out.", bytes_sent=sent)

    async def state(self) -> StationCondition:
        """The printer's own status; silence is "unknown", never "healthy"."""
        await self.living()
        condition = await self._condition()
        return condition or StationCondition(state=MachineState.UNKNOWN)

    async def _look(self) -> StationCondition | None:
        if self._ask == "none":
            return None
        condition = await self._condition()
        if condition is None:
            self.drop()
            raise NothingSent(
                f"station {self.station}: the printer does not answer its status query",
                do="Look whether it is busy with another sender.",
            )
        if condition.ready is False:
            raise NeedsPerson(
                f"station {self.station}: {', '.join(condition.faults)}",
                do="Put it right at the printer.",
            )
        return condition

    async def _condition(self) -> StationCondition | None:
        if self._ask == "none":
            return None
        question = QUESTIONS[self._ask]
        answer = await self._question(question.ask, question.whole)
        return question.read(answer) if answer else None

    async def _send(self, label: bytes) -> Line:
        line = await self.living()
        if not self._awake.still():
            raise NothingSent(f"station {self.station}: this machine slept before it sent")
        sent = 0
        try:
            await line.write(label, self._write_s)
            sent = len(label)
            if self._ask == "none":
                await line.watch(_RESET_FOLLOWS_S)
        except LineLost as lost:
            self.drop()
            raise self.lost(lost.why, max(sent, lost.sent)) from lost
        except BaseException:
            # Cancelled amid a label: what still waits to leave is thrown away with the line.
            self.drop()
            raise
        return line

    async def _question(self, ask: bytes, whole: Callable[[bytes], bool]) -> bytes | None:
        """The answer to a query; nothing when the printer is silent or babbles."""
        line = await self.living()
        try:
            await _forget_late_answers(line)
            await line.write(ask, self._answer_s)
            async with asyncio.timeout(self._answer_s):
                heard = await read_until(whole, line)
        except TimeoutError:
            return None
        except LineLost as lost:
            self.drop()
            raise self.lost(lost.why, 0) from lost
        return heard if whole(heard) else None


class CountedPrinter(BytePrinter):
    """A ZPL printer that is asked for its label counter before and after each label.

    It must be this gateway's alone. After a fault dispatch compares the count with the one that it
    kept before the label, so that the answer outlives the gateway.

    A label may come out late. Where one was sent and not seen to come out, one more on the
    counter may be the old one, so nothing is made of it: the next label is "printed" only when
    all that were sent are out. A printer that shows more than it was sent holds the station.
    Before the first label, and after each that was not seen, it must be at rest for `settle_s`.

    What is left in it and does not come out for `late_s` never will by itself: half a label of a
    sender that died, on a line that outlives it. Then a person is asked to clear it.
    """

    claims: ClassVar[Claims] = Claims(
        knows=frozenset({ReceiptStage.SENT, ReceiptStage.PRINTED}),
        counts_labels=True,
        comes_late_s=60.0,
        deliver_within_s=25.0,
        state_within_s=5.0,
    )

    def __init__(
        self,
        station: str,
        connect: Connect,
        *,
        write_s: float = 10.0,
        answer_s: float = 2.0,
        print_s: float = 5.0,
        settle_s: float = 1.0,
        late_s: float = 60.0,
        variable: str = "odometer.total_label_count",
    ) -> None:
        super().__init__(station, connect, ask="zpl-status", write_s=write_s, answer_s=answer_s)
        self._print_s, self._settle_s = print_s, settle_s
        self._variable = variable
        self._late_s = late_s
        self.claims = replace(self.claims, comes_late_s=late_s)  # type: ignore[misc]
        self._due: int | None = None
        """What the counter shows once all that was sent is out; empty while that isn't known."""
        self._late_until = 0.0
        self._told: int | None = None
        self._left: tuple[int, int, float] | None = None
        """Labels left in it and its counter, and since when they stand so."""

    async def deliver(self, order: StationOrder) -> Receipt:
        """Send once; `PRINTED` when all that was sent has come out in time, else `SENT`."""
        self._awake = Awake()
        await self.living()
        due = await self._baseline() + 1
        self._due = None
        line = await self._send(order.label)
        out = await self._reaches(due, line, len(order.label))
        self._due = due
        if not out:
            self._late_until = _loop_time() + self._late_s
        stage = ReceiptStage.PRINTED if out else ReceiptStage.SENT
        return Receipt(job_id=order.job_id, stage=stage, bytes_sent=len(order.label))

    async def close(self) -> None:
        """Let go, and forget the count: another gateway may send before the next label here."""
        await super().close()
        self._due = self._told = self._left = None
        self._late_until = 0.0

    async def state(self) -> StationCondition:
        """The printer's own status with its count; not ready while something is stuck in it."""
        condition = await super().state()
        count = await self._count()
        known: dict[str, object] = {"labels_printed": count}
        left = condition.labels_left if condition.ready else 0
        if self._is_stuck(left or 0, count):
            known |= {"ready": False, "state": MachineState.HELD, "faults": (self._stuck(left),)}
        return condition.model_copy(update=known)

    async def labels_printed(self) -> int:
        """The printer's counter; `NothingSent` when it does not answer.

        Nor while a label may yet come out late: then the count is no measure for the next one.
        """
        count = await self._count()
        if self._due is not None and count < self._due and _loop_time() < self._late_until:
            raise NothingSent(
                f"station {self.station}: a label that was sent before may yet come out, so the "
                "count tells nothing of the next"
            )
        self._told = count
        return count

    async def _count(self) -> int:
        answer = await self._question(ask_counter(self._variable), counter_whole)
        count = counter(answer) if answer else None
        if count is None:
            self.drop()
            raise NothingSent(
                f"station {self.station}: the printer does not tell its counter {self._variable!r}",
                do="Check the variable's name, or use the kind without a counter.",
            )
        return count

    async def _baseline(self) -> int:
        """What the counter shows once all that was sent before is out."""
        await self._look()
        count = await self._count()
        told, self._told = self._told, None
        if told is not None and told != count:
            raise self._moves(f"its count went from {told} to {count}")
        due = self._due
        if due is not None and count > due:
            self._due = None
            raise Misconfigured(
                f"station {self.station}: the printer counts {count}, and {due} were sent",
                do="Look at the last bags: a label came out twice or late, or the printer prints "
                "for others too. Then release the station.",
            )
        if count == due:
            return count
        await self._at_rest(count)
        if due is None or _loop_time() >= self._late_until:
            return count
        return due

    async def _at_rest(self, count: int) -> None:
        await asyncio.sleep(self._settle_s)
        condition = await self._look()
        now = await self._count()
        if now != count:
            raise self._moves(f"its count went from {count} to {now}")
        left = condition.labels_left or 0 if condition is not None else 0
        if self._is_stuck(left, count):
            raise NeedsPerson(
                f"station {self.station}: {self._stuck(left)}",
                do="Clear the printer: switch it off and on.",
            )
        if left:
            raise self._moves(f"{left} are left in it")

    def _is_stuck(self, left: int, count: int) -> bool:
        now = _loop_time()
        if not left:
            self._left = None
        elif self._left is None or self._left[:2] != (left, count):
            self._left = left, count, now
        return self._left is not None and now - self._left[2] >= self._late_s

    def _stuck(self, left: int | None) -> str:
        return f"{left} are left in it, half a label perhaps, and none comes out"

    def _moves(self, why: str) -> NothingSent:
        return NothingSent(f"station {self.station}: labels of before are under way: {why}")

    async def _reaches(self, count: int, line: Line, sent: int) -> bool:
        """Whether exactly so many are out in time.

        Raises `FateUnknown` for a lost line, and where no answer came behind the label: then
        nothing shows that it was read.
        """
        answered = False
        try:
            async with asyncio.timeout(self._print_s):
                while True:
                    await self._not_reset(line, sent)
                    now = await self._count()
                    answered = True
                    if now >= count:
                        return now == count
                    await asyncio.sleep(0.02)
        except TimeoutError:
            if answered:
                return False
            self.drop()
            silent = NothingSent(f"station {self.station}: the printer is silent since the label")
            raise self._unknown(silent, sent) from None
        except NothingSent as lost:
            raise self._unknown(lost, sent) from lost


def _loop_time() -> float:
    return asyncio.get_running_loop().time()


async def _forget_late_answers(line: Line) -> None:
    while True:
        try:
            if not await line.read(4096, 0.001):
                return
        except TimeoutError:
            return


def printer_deadlines(options: Options) -> dict[str, float]:
    """The deadlines that every byte printer has as options."""
    return {
        "write_s": options.seconds("write_s", 10.0),
        "answer_s": options.seconds("answer_s", 2.0),
    }


class Counting(TypedDict):
    """What is set of a printer that counts."""

    print_s: float
    settle_s: float
    late_s: float
    variable: str


def counting(options: Options) -> Counting:
    """The options of every printer that counts."""
    return {
        "print_s": options.seconds("print_s", 5.0),
        "settle_s": options.seconds("settle_s", 1.0),
        "late_s": options.seconds("late_s", 60.0),
        "variable": options.text("variable", "odometer.total_label_count"),
    }
