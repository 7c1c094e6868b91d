"""POST /v1/stations/{id}/reports: what a station reports over HTTP, signed with its own secret."""

from collections.abc import Awaitable, Callable
from typing import Annotated, Any

from fastapi import APIRouter, Header, Request

from adapters.errors import Refused, Unreadable
from gateway.errors import Invalid, Unauthenticated
from schemas.station import Signal

Report = Callable[[str, str, bytes], Awaitable[None]]

_SIGNATURE = (
    "`v1=HEX`: HMAC-SHA256 with the station's secret, in hexadecimal, over `v1:STATION:` followed"
    " by the bytes of the body. STATION is the id in the path."
)
_PROBLEM = {
    "application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}},
}
_ANSWERS: dict[int | str, dict[str, Any]] = {
    401: {
        "description": "The signature is not that of this station and body, or the site file names"
        " no secret for the station",
        "content": _PROBLEM,
    },
    409: {
        "description": "A report with a higher number was taken before, so this one is not",
        "content": _PROBLEM,
    },
    422: {
        "description": "Signed as it should be, and makes no sense: `fields` says where. Sent"
        " again, it is refused again",
        "content": _PROBLEM,
    },
    503: {"description": "Not kept: send the same report again", "content": _PROBLEM},
}


def routes(report: Report) -> APIRouter:
    """The route; `report` hands a station's name, signature and body on."""
    router = APIRouter(tags=["stations"])

    @router.post(
        "/v1/stations/{station_id}/reports",
        status_code=202,
        responses=_ANSWERS,
        openapi_extra={
            "requestBody": {
                "required": True,
                "content": {"application/json": {"schema": _report_schema()}},
            }
        },
    )
    async def take(
        station_id: str,
        request: Request,
        bagrelay_signature: Annotated[str, Header(description=_SIGNATURE)],
    ) -> None:
        """Take a signed report of a station; one that is played again does nothing.

        202 comes only once it is kept. On 503 the station sends the same report again.
        """
        try:
            await report(station_id, bagrelay_signature, await request.body())
        except Unreadable as unreadable:
            raise Invalid(
                f"The report is not taken: {unreadable.what}.", fields=unreadable.fields
            ) from unreadable
        except Refused as refused:
            raise Unauthenticated(f"The report is not taken: {refused.what}.") from refused

    return router


def _report_schema() -> dict[str, Any]:
    """A signal as a report carries it: with its number, and without our own mark on it.

    Its parts stand in their places, since a reference would point outside the document.
    """
    schema = Signal.model_json_schema()
    parts = schema.pop("$defs")
    schema["properties"].pop("signed")
    schema["required"] = ["kind", "number"]
    schema["description"] = "One report of a station."
    schema["properties"]["number"] = {
        "type": "integer",
        "minimum": 0,
        "description": "Above that of the report before, for ever, as a clock's milliseconds are.",
    }
    filled = _filled(schema, parts)
    assert isinstance(filled, dict)
    return filled


def _filled(schema: object, parts: dict[str, Any]) -> object:
    """The schema with each reference into `parts` replaced by what it names."""
    if isinstance(schema, list):
        return [_filled(each, parts) for each in schema]
    if not isinstance(schema, dict):
        return schema
    named = schema.get("$ref")
    if isinstance(named, str):
        return _filled(parts[named.removeprefix("#/$defs/")], parts)
    return {key: _filled(value, parts) for key, value in schema.items()}
