"""A label printer on a byte line of any sort; the raw TCP and the serial kind stand on it."""

import asyncio
from collections.abc import Callable
from typing import ClassVar

from adapters.contract import Claims
from adapters.errors import NeedsPerson, NothingSent
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


class BytePrinter(StandingLine):
    """Sends a label's bytes once, and asks for the printer's status where that is set up.

    `ask` is "none", "zpl-status" or "epl-status". With a status query a printer that stays silent
    is sent nothing: it may accept bytes and never read them.
    """

    claims: ClassVar[Claims] = Claims(
        knows=frozenset({ReceiptStage.SENT}), deliver_within_s=20.0, state_within_s=5.0
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

    async def deliver(self, order: StationOrder) -> Receipt:
        """Send the label's bytes once. `SENT` is all that a raw line proves."""
        await self.living()
        await self._look()
        await self._send(order.label)
        return Receipt(job_id=order.job_id, stage=ReceiptStage.SENT, bytes_sent=len(order.label))

    async def state(self) -> StationCondition:
        """The printer's own status; silence is "unknown", never "healthy"."""
        await self.living()
        condition = await self._condition()
        return condition or StationCondition(state=MachineState.UNKNOWN)

    async def _look(self) -> None:
        if self._ask == "none":
            return
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
                do="Put it right at the printer, then release the station.",
            )

    async def _condition(self) -> StationCondition | None:
        if self._ask == "none":
            return None
        question = QUESTIONS[self._ask]
        answer = await self._question(question.ask, question.whole)
        return question.read(answer) if answer else None

    async def _send(self, label: bytes) -> None:
        line = await self.living()
        sent = 0
        try:
            await line.write(label, self._write_s)
            sent = len(label)
            await line.watch(_RESET_FOLLOWS_S)
        except LineLost as lost:
            self.drop()
            raise self.lost(lost.why, max(sent, lost.sent)) from lost
        except BaseException:
            # Cancelled amid a label: what still waits to leave is thrown away with the line.
            self.drop()
            raise

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
    kept before the label, so that the answer outlives the gateway; labels printed past the
    gateway make it useless, and then nothing is guessed.
    """

    claims: ClassVar[Claims] = Claims(
        knows=frozenset({ReceiptStage.SENT, ReceiptStage.PRINTED}),
        counts_labels=True,
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
        variable: str = "odometer.total_label_count",
    ) -> None:
        super().__init__(station, connect, ask="zpl-status", write_s=write_s, answer_s=answer_s)
        self._print_s = print_s
        self._variable = variable

    async def deliver(self, order: StationOrder) -> Receipt:
        """Send once; `PRINTED` when the counter has gone up by one in time, else `SENT`."""
        await self.living()
        await self._look()
        before = await self.labels_printed()
        await self._send(order.label)
        stage = ReceiptStage.PRINTED if await self._printed(before) else ReceiptStage.SENT
        return Receipt(job_id=order.job_id, stage=stage, bytes_sent=len(order.label))

    async def state(self) -> StationCondition:
        """The printer's own status with its count."""
        condition = await super().state()
        return condition.model_copy(update={"labels_printed": await self.labels_printed()})

    async def labels_printed(self) -> int:
        """The printer's counter; `NothingSent` when it does not answer."""
        answer = await self._question(ask_counter(self._variable), counter_whole)
        count = counter(answer) if answer else None
        if count is None:
            self.drop()
            raise NothingSent(
                f"station {self.station}: the printer does not tell its counter {self._variable!r}",
                do="Check the variable's name, or use the kind without a counter.",
            )
        return count

    async def _printed(self, before: int) -> bool:
        # The label has left: whatever goes wrong from here on, this delivery stays "sent".
        try:
            async with asyncio.timeout(self._print_s):
                count = before
                while count == before:
                    await asyncio.sleep(0.02)
                    count = await self.labels_printed()
                return count == before + 1
        except (TimeoutError, NothingSent):
            return False


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
