"""Problem details for HTTP answers (RFC 9457) and the problem types that are ours."""

from enum import StrEnum

from pydantic import ConfigDict, ValidationError

from schemas.base import Record


class ProblemType(StrEnum):
    """The closed set of problems, each a tag under the project's own URN."""

    MALFORMED = "urn:bagrelay:problem:malformed"
    INVALID = "urn:bagrelay:problem:invalid"
    UNKNOWN_TYPE = "urn:bagrelay:problem:unknown-event-type"
    UNKNOWN_STATION = "urn:bagrelay:problem:unknown-station"
    NOT_FOUND = "urn:bagrelay:problem:not-found"
    CHANGED_REPEAT = "urn:bagrelay:problem:changed-repeat"
    NOT_ALLOWED_NOW = "urn:bagrelay:problem:not-allowed-now"
    LANE_FULL = "urn:bagrelay:problem:lane-full"
    TOO_LARGE = "urn:bagrelay:problem:too-large"
    MEDIA_TYPE = "urn:bagrelay:problem:media-type"
    UNAVAILABLE = "urn:bagrelay:problem:unavailable"
    UNAUTHENTICATED = "urn:bagrelay:problem:unauthenticated"
    FORBIDDEN = "urn:bagrelay:problem:forbidden"
    RATE_LIMITED = "urn:bagrelay:problem:rate-limited"
    INTERNAL = "urn:bagrelay:problem:internal"


class FieldProblem(Record):
    """One field that is wrong, by its JSON path."""

    field: str
    text: str


def field_problems(error: ValidationError, under: str = "", *, most: int) -> list[FieldProblem]:
    """The first `most` fields that pydantic found wrong, below the path `under`; no input shown."""
    faults = error.errors(include_url=False, include_context=False, include_input=False)
    return [
        FieldProblem(
            field=".".join([under] * bool(under) + [str(step) for step in fault["loc"]]) or ".",
            text=fault["msg"],
        )
        for fault in faults[:most]
    ]


class Problem(Record):
    """RFC 9457 problem details."""

    model_config = ConfigDict(frozen=True, extra="allow")

    type: ProblemType
    title: str
    status: int
    detail: str
    instance: str | None = None
    fields: tuple[FieldProblem, ...] = ()
