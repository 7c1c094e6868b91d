"""POST /v1/events: the way in over HTTP."""

from fastapi import APIRouter, Request
from fastapi.responses import Response
from pydantic import TypeAdapter

from gateway.access.caller import Caller, caller_of, spend_events
from gateway.errors import GatewayError
from gateway.intake.accept import Intake
from gateway.intake.envelope import BATCH, STRUCTURED, Incoming, read_http, read_structured
from gateway.problems import problem_of
from schemas.base import Record
from schemas.events import Accepted, CloudEvent
from schemas.problem import Problem


class BatchAnswer(Record):
    """One event of a batch: accepted, or refused with its problem."""

    accepted: Accepted | None = None
    problem: Problem | None = None


_ANSWERS = TypeAdapter(list[BatchAnswer])


def routes(intake: Intake) -> APIRouter:
    """The events route."""
    router = APIRouter(tags=["events"])

    @router.post(
        "/v1/events",
        status_code=202,
        response_model=Accepted,
        responses={207: {"model": list[BatchAnswer]}},
        openapi_extra={
            "requestBody": {
                "required": True,
                "content": {
                    STRUCTURED: {"schema": CloudEvent.model_json_schema()},
                    BATCH: {"schema": {"type": "array", "items": CloudEvent.model_json_schema()}},
                    "application/json": {"schema": {}},
                },
            }
        },
    )
    async def take_events(request: Request) -> Response:
        """Take CloudEvents 1.0 in structured, binary or batch mode.

        202 comes only after the commit. The same source and id again is answered as before. A
        batch is answered 202 if every event was accepted, else 207 with one answer an event.
        """
        read = read_http(request.headers, await request.body())
        caller = caller_of(request)
        if isinstance(read, Incoming):
            spend_events(request, 1)
            accepted = await _one(intake, read, caller)
            return Response(
                accepted.model_dump_json(exclude_none=True),
                status_code=202,
                media_type="application/json",
            )
        spend_events(request, max(1, len(read)))
        answers = [await _one_of_batch(intake, raw, caller) for raw in read]
        whole = all(answer.problem is None for answer in answers)
        return Response(
            _ANSWERS.dump_json(answers, exclude_none=True),
            status_code=202 if whole else 207,
            media_type="application/json",
        )

    return router


async def _one(intake: Intake, incoming: Incoming, caller: Caller) -> Accepted:
    caller.check_event(incoming)
    return await intake.accept(caller.signing(incoming), actor=caller.name)


async def _one_of_batch(intake: Intake, raw: bytes, caller: Caller) -> BatchAnswer:
    try:
        return BatchAnswer(accepted=await _one(intake, read_structured(raw), caller))
    except GatewayError as error:
        return BatchAnswer(problem=problem_of(error))
