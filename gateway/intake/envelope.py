"""CloudEvents 1.0 over HTTP: structured, binary and batch mode into checked events. Pure."""

import base64
import binascii
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from urllib.parse import unquote

import orjson
from pydantic import JsonValue, ValidationError

from gateway.errors import Invalid, Malformed, UnknownMediaType, UnknownType
from gateway.ledger.canonical import NotCanonical, canonical
from schemas.base import Record
from schemas.events import DATA_OF, CloudEvent, EventType
from schemas.problem import FieldProblem, field_problems

STRUCTURED = "application/cloudevents+json"
BATCH = "application/cloudevents-batch+json"
DEEPEST_JSON = 32
LARGEST_BATCH = 500
MOST_FIELDS = 50


@dataclass(frozen=True, slots=True)
class Incoming:
    """One event, checked: its envelope, its data, the bytes it came as and its content's digest."""

    event: CloudEvent
    data: Record
    raw: bytes
    content_sha256: str

    @property
    def key(self) -> tuple[str, str]:
        """Source and id: the same pair is the same event."""
        return self.event.source, self.event.id


def read_http(headers: Mapping[str, str], body: bytes) -> Sequence[bytes] | Incoming:
    """Read one HTTP request: a single event, or the raw members of a batch.

    Raises `Malformed`, `Invalid`, `UnknownType` or `UnknownMediaType`.
    """
    media_type = headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type == BATCH:
        return _members(body)
    if media_type == STRUCTURED:
        return read_structured(body)
    if "ce-specversion" in headers:
        return _read_binary(headers, body, media_type)
    raise UnknownMediaType(
        f"Send CloudEvents 1.0 as {STRUCTURED}, as {BATCH}, or with ce- headers and a JSON body; "
        f"this came as {media_type or 'no content type'}."
    )


def read_structured(body: bytes) -> Incoming:
    """Read one event whose envelope and data are one JSON object."""
    return _check(parse_json(body), body)


def _members(body: bytes) -> list[bytes]:
    value = parse_json(body)
    if not isinstance(value, list):
        raise Malformed("A batch is a JSON array of events.")
    if len(value) > LARGEST_BATCH:
        raise Invalid(f"A batch holds at most {LARGEST_BATCH} events; this one holds {len(value)}.")
    return _as_they_came(body.decode(), len(value))


def _as_they_came(array: str, count: int) -> list[bytes]:
    """The text of each member of a JSON array that is known to be well formed."""
    decoder = json.JSONDecoder()
    members: list[bytes] = []
    at = array.index("[") + 1
    for _ in range(count):
        start = _skip(array, at)
        _, at = decoder.raw_decode(array, start)
        members.append(array[start:at].encode())
    return members


def _skip(text: str, at: int) -> int:
    while text[at] in " \t\r\n,":
        at += 1
    return at


def _read_binary(headers: Mapping[str, str], body: bytes, media_type: str) -> Incoming:
    if media_type not in ("application/json", ""):
        raise UnknownMediaType(f"Event data must be application/json, not {media_type}.")
    attributes: dict[str, JsonValue] = {
        name[3:].lower(): unquote(value)
        for name, value in headers.items()
        if name.lower().startswith("ce-")
    }
    attributes["data"] = parse_json(body)
    if media_type:
        attributes["datacontenttype"] = media_type
    return _check(attributes, _with_headers(headers, body))


def _with_headers(headers: Mapping[str, str], body: bytes) -> bytes:
    """What came: the event's headers, an empty line, the body."""
    kept = [
        f"{name}: {value}\r\n"
        for name, value in headers.items()
        if name.lower().startswith("ce-") or name.lower() == "content-type"
    ]
    return "".join([*kept, "\r\n"]).encode() + body


def parse_json(body: bytes) -> JsonValue:
    """JSON with bounded nesting. Raises `Malformed`."""
    try:
        value: JsonValue = orjson.loads(body)
    except orjson.JSONDecodeError as error:
        raise Malformed(f"The body isn't JSON: {error}.") from error
    if _deeper_than(value, DEEPEST_JSON):
        raise Malformed(f"The JSON is nested deeper than {DEEPEST_JSON} levels.")
    return value


def _deeper_than(value: JsonValue, levels: int) -> bool:
    layer: list[JsonValue] = [value]
    for _ in range(levels):
        layer = [
            member
            for container in layer
            for member in (
                container.values()
                if isinstance(container, dict)
                else container
                if isinstance(container, list)
                else ()
            )
        ]
        if not layer:
            return False
    return True


def _check(value: JsonValue, raw: bytes) -> Incoming:
    if not isinstance(value, dict):
        raise Malformed("An event is a JSON object.")
    if "data_base64" in value:
        value = _with_decoded_data(value)
    known = {member.value for member in EventType}
    if isinstance(value.get("type"), str) and value["type"] not in known:
        raise UnknownType(
            f"The gateway takes no events of type {value['type']!r}.",
            fields=[FieldProblem(field="type", text=f"one of {', '.join(sorted(known))}")],
        )
    try:
        event = CloudEvent.model_validate(value)
    except ValidationError as error:
        raise Invalid(
            "The event's envelope is wrong.", fields=field_problems(error, most=MOST_FIELDS)
        ) from error
    try:
        # from JSON text, so that bytes and instants read as they do everywhere else
        data = DATA_OF[event.type].model_validate_json(orjson.dumps(event.data))
    except ValidationError as error:
        raise Invalid(
            "The event's data is wrong.", fields=field_problems(error, "data", most=MOST_FIELDS)
        ) from error
    try:
        content = canonical([event.type.value, event.subject, event.data])
    except NotCanonical as error:
        raise Invalid(str(error)) from error
    return Incoming(event, data, raw, sha256(content).hexdigest())


def _with_decoded_data(value: dict[str, JsonValue]) -> dict[str, JsonValue]:
    rest = dict(value)
    encoded = rest.pop("data_base64")
    try:
        decoded = base64.b64decode(encoded, validate=True) if isinstance(encoded, str) else b""
    except binascii.Error as error:
        raise Malformed("data_base64 isn't base64.") from error
    return {**rest, "data": parse_json(decoded)}
