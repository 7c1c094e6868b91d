"""POST /v1/events: the way in over HTTP."""

from fastapi import APIRouter, Request
from fastapi.responses import Response
from pydantic import TypeAdapter

from gateway.errors import GatewayError, Malformed, TooLarge
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


def routes(intake: Intake, max_body_bytes: int) -> APIRouter:
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
        body = await _bounded(request, max_body_bytes)
        read = read_http(request.headers, body)
        actor = getattr(request.state, "actor", "open door")
        if isinstance(read, Incoming):
            accepted = await intake.accept(read, actor=actor)
            return Response(
                accepted.model_dump_json(exclude_none=True),
                status_code=202,
                media_type="application/json",
            )
        answers = [await _one_of_batch(intake, raw, actor) for raw in read]
        whole = all(answer.problem is None for answer in answers)
        return Response(
            _ANSWERS.dump_json(answers, exclude_none=True),
            status_code=202 if whole else 207,
            media_type="application/json",
        )

    return router


async def _one_of_batch(intake: Intake, raw: bytes, actor: str) -> BatchAnswer:
    try:
        return BatchAnswer(accepted=await intake.accept(read_structured(raw), actor=actor))
    except GatewayError as error:
        return BatchAnswer(problem=problem_of(error))


async def _bounded(request: Request, limit: int) -> bytes:
    stated = request.headers.get("content-length")
    if stated is not None and not stated.isdigit():
        raise Malformed("Content-Length isn't a number.")
    if stated is not None and int(stated) > limit:
        raise TooLarge(f"The body has {stated} bytes; at most {limit} are taken.")
    chunks, size = [], 0
    async for chunk in request.stream():
        size += len(chunk)
        if size > limit:
            raise TooLarge(f"The body has more than {limit} bytes.")
        chunks.append(chunk)
    return b"".join(chunks)
