"""The gateway's own errors: each says what was wrong, where, and what to do."""

from collections.abc import Sequence

from schemas.problem import FieldProblem, ProblemType


class GatewayError(Exception):
    """Base. Carries what an RFC 9457 problem needs; `status` is its HTTP status."""

    type: ProblemType = ProblemType.INTERNAL
    status: int = 500
    title: str = "Something went wrong inside the gateway"

    def __init__(
        self,
        detail: str,
        *,
        fields: Sequence[FieldProblem] = (),
        retry_after_s: float | None = None,
    ) -> None:
        super().__init__(detail)
        self.detail = detail
        self.fields = tuple(fields)
        self.retry_after_s = retry_after_s


class Malformed(GatewayError):
    """The body is not what its media type says."""

    type, status, title = ProblemType.MALFORMED, 400, "The body can't be read"


class Invalid(GatewayError):
    """The body reads well and says something impossible."""

    type, status, title = ProblemType.INVALID, 422, "A field is wrong"


class UnknownType(GatewayError):
    """An event type that the gateway doesn't take."""

    type, status, title = ProblemType.UNKNOWN_TYPE, 422, "Unknown event type"


class UnknownStation(GatewayError):
    """No such station in the site file."""

    type, status, title = ProblemType.UNKNOWN_STATION, 422, "Unknown station"


class NotFound(GatewayError):
    """Nothing under that name."""

    type, status, title = ProblemType.NOT_FOUND, 404, "Not found"


class WrongMethod(GatewayError):
    """There is something under that name, but it can't be done to it."""

    type, status, title = ProblemType.NOT_FOUND, 405, "Not with this method"


class ChangedRepeat(GatewayError):
    """The same event source and id came again with other content."""

    type, status, title = ProblemType.CHANGED_REPEAT, 409, "Same event id, other content"


class NotAllowedNow(GatewayError):
    """The state of the job, row or station doesn't allow it."""

    type, status, title = ProblemType.NOT_ALLOWED_NOW, 409, "Not allowed in this state"


class OldReport(NotAllowedNow):
    """A station's numbered report that comes after one with a higher number."""


class LaneFull(GatewayError):
    """Too many jobs wait for the station; the sender should come again."""

    type, status, title = ProblemType.LANE_FULL, 503, "The station's lane is full"


class TooLarge(GatewayError):
    """The body is above the site's limit."""

    type, status, title = ProblemType.TOO_LARGE, 413, "The body is too large"


class Unauthenticated(GatewayError):
    """Nobody knows who is asking."""

    type, status, title = ProblemType.UNAUTHENTICATED, 401, "Say who you are"


class Forbidden(GatewayError):
    """It is known who is asking, and that they may not."""

    type, status, title = ProblemType.FORBIDDEN, 403, "Not allowed for you"


class RateLimited(GatewayError):
    """Too much in too short a time; come again after a while."""

    type, status, title = ProblemType.RATE_LIMITED, 429, "Too many at once"


class TooSlow(GatewayError):
    """The body did not arrive in time."""

    type, status, title = ProblemType.MALFORMED, 408, "The body came too slowly"


class UnknownMediaType(GatewayError):
    """A content type that the route doesn't take."""

    type, status, title = ProblemType.MEDIA_TYPE, 415, "Unknown media type"


class Unavailable(GatewayError):
    """Something that the gateway needs does not answer; nothing was accepted."""

    type, status, title = ProblemType.UNAVAILABLE, 503, "Not available right now"


class NotStored(Unavailable):
    """The store did not take a step: nothing of it was kept, and it may be tried again."""
