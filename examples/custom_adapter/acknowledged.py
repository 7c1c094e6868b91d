"""The acknowledged station: a label printer that answers each label.

LABEL JOB LENGTH\\n and LENGTH bytes  ->  DONE NUMBER\\n, NO REASON\\n or PERSON REASON\\n
STATE\\n                              ->  READY\\n or PERSON REASON\\n
"""

from functools import partial
from typing import ClassVar
from urllib.parse import quote

from adapters.contract import Claims, LineSettings
from adapters.errors import FateUnknown, NeedsPerson, NothingSent, Refused
from adapters.line import Connect, TcpLine
from adapters.options import Options
from adapters.standing_line import StandingLine
from schemas.station import MachineState, Receipt, ReceiptStage, StationCondition, StationOrder


class Acknowledged(StandingLine):
    """It knows what was printed, because the printer says so; it claims no more."""

    claims: ClassVar[Claims] = Claims(knows=frozenset({ReceiptStage.PRINTED}))

    def __init__(self, station: str, connect: Connect, answer_s: float) -> None:
        super().__init__(station, connect)
        self._answer_s = answer_s

    @classmethod
    def from_settings(cls, settings: LineSettings) -> "Acknowledged":
        """Options: host, port, answer_s."""
        options = Options(settings)
        connect = partial(TcpLine.connect, options.text("host"), options.port(), 2.0)
        adapter = cls(settings.station, connect, options.seconds("answer_s", 5.0))
        options.finish()
        return adapter

    async def deliver(self, order: StationOrder) -> Receipt:
        """Send one label once and wait for its answer."""
        job = quote(order.job_id, safe="")
        data = f"LABEL {job} {len(order.label)}\n".encode() + order.label
        match (await self.ask_line(data, self._answer_s)).split(" ", 1):
            case ["DONE", number] if number.isdecimal() and len(number) < 20:
                return Receipt(
                    job_id=order.job_id,
                    stage=ReceiptStage.PRINTED,
                    bytes_sent=len(data),
                    device_job=number,
                )
            case ["NO", why]:
                raise Refused(why, bytes_sent=len(data))
            case ["PERSON", why]:
                raise NeedsPerson(why, do="Put it right at the printer.")
        # The true answer may still come, and must not be taken for the next label's.
        self.drop()
        raise FateUnknown("the printer's answer makes no sense", bytes_sent=len(data))

    async def state(self) -> StationCondition:
        """Ready, or what it needs a person for."""
        try:
            answer = await self.ask_line(b"STATE\n", self._answer_s)
        except FateUnknown as mute:
            raise NothingSent(mute.what) from mute
        match answer.split(" ", 1):
            case ["READY"]:
                return StationCondition(state=MachineState.IDLE, ready=True)
            case ["PERSON", why]:
                return StationCondition(state=MachineState.HELD, ready=False, faults=(why[:200],))
        self.drop()
        return StationCondition(state=MachineState.UNKNOWN)
