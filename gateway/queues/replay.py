"""One dead letter once more: the same bytes by the same way."""

from collections.abc import Mapping

import orjson

from gateway.errors import GatewayError, Invalid, Unavailable
from gateway.intake.accept import Intake
from gateway.intake.envelope import parse_json
from gateway.queues import letters
from gateway.queues.handle import read_one
from gateway.queues.port import Event, NeverTakes, Sink
from gateway.queues.port import Unavailable as SinkAway
from gateway.store.store import Store
from schemas.events import CloudEvent
from schemas.queues import Replayed


class _OwnEvent(CloudEvent):
    type: str  # type: ignore[assignment]


async def replay_letter(
    store: Store,
    intake: Intake,
    sinks: Mapping[str, Sink],
    letter_id: int,
    *,
    actor: str,
    max_bytes: int,
) -> Replayed:
    """Try it once more and keep how that went. Raises `NotFound`, or what refuses it again."""
    way, body, headers = await store.read(lambda conn: letters.content(conn, letter_id))
    try:
        if way.startswith("to "):
            text = await _out(sinks, way, body)
        else:
            incoming = read_one(headers, body, max_bytes)
            accepted = await intake.accept(incoming, actor=actor)
            text = f"{accepted.outcome.value}. {accepted.text}".strip()
    except GatewayError as wrong:
        problem, reason = wrong.type.value, wrong.detail
        if not isinstance(wrong, Unavailable):
            await store.write(lambda work: letters.refused_again(work, letter_id, problem, reason))
        raise
    await store.write(lambda work: letters.replayed(work, letter_id))
    return Replayed(text=text)


async def _out(sinks: Mapping[str, Sink], way: str, body: bytes) -> str:
    sink = sinks.get(way)
    if sink is None:
        raise Invalid(f"The site file has no {way.removeprefix('to ')} any more.")
    event = _OwnEvent.model_validate(parse_json(body))
    assert event.time is not None
    own = Event(
        number=0,
        id=event.id,
        source=event.source,
        type=event.type,
        subject=event.subject,
        time=event.time,
        data=orjson.dumps(event.data),
    )
    try:
        await sink.send(own)
    except NeverTakes as never:
        raise Invalid(f"The target refuses it again: {never}.") from never
    except SinkAway as away:
        raise Unavailable(f"The target takes nothing now: {away}.") from away
    return f"Sent to {way.removeprefix('to ')}."
