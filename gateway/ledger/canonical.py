"""The one text of a JSON value, by RFC 8785, so that a hash means the same to everybody."""

import orjson
import rfc8785
from pydantic import JsonValue

_PLAIN = (
    orjson.OPT_SORT_KEYS
    | orjson.OPT_STRICT_INTEGER
    | orjson.OPT_PASSTHROUGH_SUBCLASS
    | orjson.OPT_PASSTHROUGH_DATETIME
    | orjson.OPT_PASSTHROUGH_DATACLASS
)


class NotCanonical(ValueError):
    """A value that RFC 8785 gives no text: not JSON, not finite, or an integer beyond 2^53 - 1."""


def canonical(value: JsonValue) -> bytes:
    """Return the RFC 8785 text of a JSON value, UTF-8 encoded.

    Raises `NotCanonical` for NaN and infinities, for integers whose magnitude is above 2^53 - 1
    (hand those over as strings), for lone surrogates and for anything that is not JSON.
    """
    try:
        if _orjson_agrees(value):
            return orjson.dumps(value, option=_PLAIN)
        return rfc8785.dumps(value)
    except (rfc8785.CanonicalizationError, orjson.JSONEncodeError, UnicodeError) as error:
        raise NotCanonical(
            f"This value has no canonical JSON text: {error}. Hand over finite numbers, integers"
            " up to 2^53 - 1 (larger ones as strings), valid Unicode, and string keys."
        ) from error
    except RecursionError as error:
        raise NotCanonical("This value is nested too deeply for canonical JSON.") from error


def _orjson_agrees(value: object) -> bool:
    """Say whether orjson's text is the RFC 8785 text, which is ten times slower to make.

    They differ in floats (1.0 and 1e21 against 1 and 1e+21) and in the order of keys beyond
    ASCII (UTF-8 against UTF-16 code units); a property test holds them side by side.
    """
    kind = type(value)
    if kind is str or kind is int or kind is bool or value is None:
        return True
    if kind is dict:
        return all(
            type(key) is str and key.isascii() and _orjson_agrees(member)
            for key, member in value.items()  # type: ignore[attr-defined]
        )
    if kind is list:
        return all(map(_orjson_agrees, value))  # type: ignore[call-overload]
    return False
