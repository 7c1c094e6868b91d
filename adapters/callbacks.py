"""Signed reports of a station that calls back: HMAC-SHA256 over station and body.

The station sends the signal as JSON and the header `Bagrelay-Signature: v1=HEX`, where HEX is
HMAC-SHA256 (RFC 2104) with the shared secret over `v1:STATION:` followed by the body's bytes. The
signal's `number` must rise for ever, past every restart of the station, as the milliseconds of its
clock do: one with the last one's number is a repeat, one with a lower number came too late.
"""

import hashlib
import hmac

from pydantic import ValidationError

from adapters.errors import Refused, Unreadable
from schemas.problem import FieldProblem, field_problems
from schemas.station import Signal

HEADER = "Bagrelay-Signature"


def sign(secret: bytes, station: str, body: bytes) -> str:
    """The header's value for this body."""
    digest = hmac.new(secret, f"v1:{station}:".encode() + body, hashlib.sha256)
    return f"v1={digest.hexdigest()}"


def read_signed(secret: bytes, station: str, signature: str, body: bytes) -> Signal:
    """The signal in a signed report.

    Raises `Refused` when the signature is wrong, and `Unreadable` when only the body is.
    """
    if not hmac.compare_digest(sign(secret, station, body).encode(), signature.encode()):
        raise Refused(f"station {station}: a report with a wrong signature")
    try:
        signal = Signal.model_validate_json(body)
    except ValidationError as wrong:
        what = f"station {station}: a signed report that makes no sense"
        raise Unreadable(what, field_problems(wrong, most=20)) from wrong
    if signal.number is None:
        raise Unreadable(
            f"station {station}: a signed report without a number can be played again",
            [FieldProblem(field="number", text="is missing")],
        )
    return signal.model_copy(update={"signed": True})
