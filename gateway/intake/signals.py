"""What a station reports by its own line, as the same events that come over HTTP."""

from contextlib import suppress
from hashlib import sha256

import orjson
import structlog
from pydantic import JsonValue, ValidationError

from gateway.dispatch.lane_view import refusal
from gateway.dispatch.moves import MOVES, move
from gateway.dispatch.outcome import bag_came_out, settled
from gateway.dispatch.station_state import last_report, report_taken
from gateway.dispatch.supply import told_low
from gateway.errors import GatewayError, Invalid, NotStored, OldReport
from gateway.intake.accept import Intake
from gateway.intake.envelope import Incoming, read_structured
from gateway.store import jobs
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.events import Accepted, AcceptedOutcome, EventType, Outgoing, OutgoingType
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.station import MachineState, Signal, SignalKind, Station

log = structlog.get_logger(__name__)

_GO = (AcceptedOutcome.QUEUED, AcceptedOutcome.ALREADY_IN_WORK)


class Signals:
    """Turns signals into events. A number that comes again on its connection is one event."""

    def __init__(self, run_id: str, intake: Intake, store: Store) -> None:
        self._run_id = run_id
        self._intake = intake
        self._store = store
        self._unnumbered = 0

    async def take(self, station: Station, signal: Signal, connection: int) -> str | None:
        """Handle one signal of the so-many-eth connection.

        Gives the reason for a no-go where goods at the infeed are not to be packed. Raises what
        intake raises.
        """
        if not signal.signed or signal.number is None:
            return await self._handle(station, signal, connection)
        number = signal.number
        last = await self._store.read(lambda conn: last_report(conn, station.id))
        if last is not None and number <= last:
            log.warning("report.old", station=station.id, number=number, last=last)
            if number < last:
                raise OldReport(
                    f"Report {number} comes after {last}, so it isn't taken. Send one after the "
                    "other: the next only once the last was answered 202."
                )
            return None
        try:
            # Were we to die before it is marked, its event would be known by its id.
            no_go = await self._handle(station, signal, connection)
        except NotStored:
            raise
        except GatewayError:
            # It was heard and refused: played again later it must not act.
            await self._store.write(lambda work: report_taken(work, station.id, number))
            raise
        await self._store.write(lambda work: report_taken(work, station.id, number))
        return no_go

    async def _handle(self, station: Station, signal: Signal, connection: int) -> str | None:
        match signal.kind:
            case SignalKind.PRINTED:
                await self._store.write(lambda work: _printed(work, station, signal.job_id))
            case SignalKind.SUPPLY_LOW:
                await self._store.write(lambda work: told_low(work, station.id, signal.detail))
            case _:
                accepted = await self._accepted(station, signal, connection)
                if signal.kind is SignalKind.ITEM_PRESENT and accepted.outcome not in _GO:
                    return accepted.text or "not to be packed here"
        return None

    async def _accepted(self, station: Station, signal: Signal, connection: int) -> Accepted:
        """Its event, taken; where it is refused nobody reads an answer, so the room is told."""
        try:
            return await self._intake.accept(
                self._event(station, signal, connection), actor=f"station {station.id}"
            )
        except NotStored:
            raise
        except GatewayError as refused:
            why = refusal(signal, refused)
            with suppress(NotStored):
                await self._store.write(lambda work: _refused(work, station, signal, why))
            raise

    def _event(self, station: Station, signal: Signal, connection: int) -> Incoming:
        type_, data = event_of(station.id, signal)
        if signal.number is None:
            self._unnumbered += 1
        number = signal.number if signal.number is not None else f"u{self._unnumbered}"
        digest = sha256(signal.model_dump_json().encode()).hexdigest()[:8]
        line = "signed" if signal.signed else f"{self._run_id}-{connection}"
        body = orjson.dumps(
            {
                "specversion": "1.0",
                "id": f"{line}-{number}-{digest}",
                "source": f"/stations/{station.id}/line",
                "type": type_.value,
                "data": {"station": station.id, **data},
            }
        )
        try:
            return read_structured(body)
        except ValidationError as error:
            raise Invalid(f"Station {station.id} sent a signal that says nothing.") from error


def event_of(  # noqa: C901 - one case for each kind
    station: str, signal: Signal
) -> tuple[EventType, dict[str, object]]:
    """The event that a signal stands for, and its data without the station."""
    match signal.kind:
        case SignalKind.SCAN if signal.position is not None:
            return EventType.LABEL_SCANNED, {"code": signal.code or None}
        case SignalKind.SCAN:
            return EventType.ORDER_SCANNED, {"code": signal.code}
        case SignalKind.BAG_ADVANCED:
            return EventType.BAG_ADVANCED, {}
        case SignalKind.BAG_PULLED:
            data: dict[str, object] = {"position": signal.position or 0}
            return EventType.BAG_PULLED, data | ({"reason": signal.detail} if signal.detail else {})
        case SignalKind.SEALED:
            return EventType.BAG_SEALED, {"job_id": signal.job_id}
        case SignalKind.ITEM_PRESENT:
            return EventType.ITEM_PRESENT, {"code": signal.code, "measured": _measured(signal)}
        case SignalKind.ITEM_MEASURED:
            return EventType.ITEM_MEASURED, {"code": signal.code, "measured": _measured(signal)}
        case SignalKind.FAULT:
            return EventType.STATION_STATE, {
                "state": (signal.state or MachineState.ABORTED).value,
                "detail": signal.detail,
            }
        case SignalKind.FILM_CHANGED:
            return EventType.STATION_STATE, {
                "state": MachineState.SUSPENDED.value,
                "detail": signal.detail or "the film was changed: say what is loaded now",
            }
        case SignalKind.STATE:
            return EventType.STATION_STATE, {
                "state": (signal.state or MachineState.UNKNOWN).value,
                "detail": signal.detail,
            }
        case SignalKind.PRINTED | SignalKind.SUPPLY_LOW:
            raise Invalid(f"{station}: {signal.kind.value} is no event of its own.")


def _measured(signal: Signal) -> dict[str, object] | None:
    if not (signal.length_mm and signal.width_mm and signal.height_mm):
        return None
    return {
        "size": {
            "length": signal.length_mm,
            "width": signal.width_mm,
            "height": signal.height_mm,
        },
        "mass_g": signal.mass_g,
    }


def _printed(work: Work, station: Station, job_id: str | None) -> None:
    """The station says that it printed: more than a sent job, or one in doubt, had proved.

    It may say so before the adapter's receipt is written: then the receipt has nothing to add.
    """
    job = jobs.find(work.conn, job_id) if job_id else None
    if job is None or job.station != station.id or JobState.PRINTED not in MOVES[job.state]:
        return
    moved = move(work, job, JobState.PRINTED, "the station says that it printed")
    if job.state is JobState.IN_DOUBT:
        settled(work, job, by="station", printed=True)
    if job.state is not JobState.SENT:
        bag_came_out(work, station, moved)


def _refused(work: Work, station: Station, signal: Signal, why: str) -> None:
    facts: dict[str, JsonValue] = {"signal": signal.kind.value, "code": signal.code}
    actor = f"station {station.id}"
    work.record(EntryKind.SIGNAL_REFUSED, station=station.id, actor=actor, facts=facts, text=why)
    work.publish(OutgoingType.SIGNAL_REFUSED, Outgoing(station=station.id, text=why, facts=facts))
