"""Errors into RFC 9457 problem details, in one place."""

from http import HTTPStatus

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from gateway.errors import GatewayError
from schemas.problem import FieldProblem, Problem, ProblemType

log = structlog.get_logger(__name__)

MEDIA_TYPE = "application/problem+json"


def problem_of(error: GatewayError, instance: str | None = None) -> Problem:
    """The problem body of one of our errors."""
    return Problem(
        type=error.type,
        title=error.title,
        status=error.status,
        detail=error.detail,
        instance=instance,
        fields=error.fields,
    )


def answer(problem: Problem, retry_after_s: float | None = None) -> Response:
    """A problem as an HTTP answer."""
    headers = {} if retry_after_s is None else {"Retry-After": str(max(1, round(retry_after_s)))}
    return Response(
        problem.model_dump_json(exclude_none=True),
        status_code=problem.status,
        media_type=MEDIA_TYPE,
        headers=headers,
    )


def install(app: FastAPI) -> None:
    """Answer every error of the app with a problem."""

    @app.exception_handler(GatewayError)
    async def ours(request: Request, error: GatewayError) -> Response:
        log.info("request.refused", path=request.url.path, problem=error.type.value)
        return answer(problem_of(error, request.url.path), error.retry_after_s)

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> Response:
        fields = tuple(
            FieldProblem(
                field=".".join(str(step) for step in wrong["loc"]) or ".", text=wrong["msg"]
            )
            for wrong in error.errors()[:50]
        )
        return answer(
            Problem(
                type=ProblemType.INVALID,
                title="A field is wrong",
                status=422,
                detail=f"{fields[0].field}: {fields[0].text}"
                if fields
                else "The request is wrong.",
                instance=request.url.path,
                fields=fields,
            )
        )

    @app.exception_handler(HTTPException)
    async def http(request: Request, error: HTTPException) -> Response:
        status = HTTPStatus(error.status_code)
        told = answer(
            Problem(
                type=ProblemType.NOT_FOUND if status in (404, 405) else ProblemType.INVALID,
                title=status.phrase,
                status=status.value,
                detail=str(error.detail),
                instance=request.url.path,
            )
        )
        told.headers.update(error.headers or {})  # such as Allow
        return told

    @app.exception_handler(ClientDisconnect)
    async def gone(request: Request, _error: ClientDisconnect) -> Response:
        """Nobody is left to answer; what they were sending was not accepted."""
        log.info("request.gone", path=request.url.path)
        return Response(status_code=HTTPStatus.REQUEST_TIMEOUT)

    @app.exception_handler(Exception)
    async def unforeseen(request: Request, error: Exception) -> Response:
        log.error("request.broke", path=request.url.path, exc_info=error)
        return answer(
            Problem(
                type=ProblemType.INTERNAL,
                title=GatewayError.title,
                status=500,
                detail="Nothing of this request was accepted. The gateway's log has the cause.",
                instance=request.url.path,
            )
        )
