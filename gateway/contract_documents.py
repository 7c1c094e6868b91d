"""The contract as documents for other programs: JSON Schema, OpenAPI, AsyncAPI.

All of them are made from the models, so that they can't say something else.
"""

import importlib
import pkgutil
from collections.abc import Iterator, Mapping
from typing import Any, Final

from pydantic import TypeAdapter
from pydantic.json_schema import models_json_schema

import schemas
from gateway.dispatch.drawing import job_moves, station_moves
from schemas.base import Record
from schemas.events import DATA_OF, CloudEvent, EventType, Outgoing, OutgoingType
from schemas.order import Order
from schemas.queues import Queue
from schemas.site import Site

Document = dict[str, object] | str
"""A JSON object; its shape is the published standard's, not ours."""

_DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
_VERSION: Final = "1.0.0"


def documents() -> dict[str, Document]:
    """Every document by its file name."""
    # The service is built to be asked for its document, which the other documents can do without.
    from gateway.app import openapi

    return model_documents() | {"openapi.json": openapi()}


def model_documents() -> dict[str, Document]:
    """The documents that are made from the models alone."""
    return {
        "contract.schema.json": contract_schema(),
        "order.schema.json": _one_schema(Order, "order"),
        "site.schema.json": _one_schema(Site, "site"),
        "asyncapi.json": asyncapi(),
        "job-moves.md": job_moves(),
        "station-moves.md": station_moves(),
    }


def contract_models() -> list[type[Record]]:
    """Every public model of the contract, by module and name."""
    found: dict[str, type[Record]] = {}
    for module in pkgutil.iter_modules(schemas.__path__, "schemas."):
        for name, value in sorted(vars(importlib.import_module(module.name)).items()):
            own = isinstance(value, type) and value.__module__ == module.name
            if own and issubclass(value, Record) and not name.startswith("_"):
                found[f"{module.name}.{name}"] = value
    return [found[key] for key in sorted(found)]


def contract_schema() -> Document:
    """All models in one document, as they may be handed in, each under `$defs`."""
    _, schema = models_json_schema([(model, "validation") for model in contract_models()])
    return {
        "$schema": _DIALECT,
        "$id": "urn:bagrelay:schema:contract:v1",
        "title": "The data contract of bagrelay",
        **schema,
    }


def _one_schema(model: type[Record], name: str) -> Document:
    return {
        "$schema": _DIALECT,
        "$id": f"urn:bagrelay:schema:{name}:v1",
        **TypeAdapter(model).json_schema(mode="validation"),
    }


# --- AsyncAPI -------------------------------------------------------------------------------------


def asyncapi() -> Document:
    """AsyncAPI 3.0: the events that the gateway takes and those that it sends.

    Addresses are those that a queue of the site file has unless it names others; they are a
    subject of NATS, a queue of RabbitMQ (what is sent: a topic exchange with the type as routing
    key, and a queue that gets all of it), or a topic of MQTT 5.
    """
    models: list[type[Record]] = [CloudEvent, Outgoing, *DATA_OF.values()]
    _, schema = models_json_schema(
        [(model, "validation") for model in models],
        ref_template="#/components/schemas/{model}",
    )
    # The envelope is the same both ways; the model's own `type` knows only what comes in.
    parts = schema["$defs"]
    parts["CloudEvent"]["properties"]["type"] = {"type": "string"}
    del parts["EventType"]
    incoming = {_key(kind): _message(kind.value, DATA_OF[kind]) for kind in EventType}
    outgoing = {_key(kind): _message(kind.value, Outgoing) for kind in OutgoingType}
    dead = {"deadLetter": _DEAD_LETTER}
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "bagrelay events",
            "version": _VERSION,
            "description": "CloudEvents 1.0 in structured form. An event is answered or"
            " acknowledged after it is durable; the same source and id again does nothing.",
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/cloudevents+json",
        "servers": {kind: _server(kind, protocol) for kind, protocol in _PROTOCOLS.items()},
        "channels": {
            "toGateway": _channel("take_from", "Events that stations and the WMS send.", incoming),
            "fromGateway": _channel("send_to", "Events that the gateway sends.", outgoing),
            "deadLetters": _channel(
                "dead", "Messages that can never be taken, as they came, with the reason.", dead
            ),
        },
        "operations": {
            "takeEvent": _operation("receive", "toGateway", incoming),
            "tellEvent": _operation("send", "fromGateway", outgoing),
            "giveUp": _operation("send", "deadLetters", dead),
        },
        "components": {"messages": incoming | outgoing | dead, "schemas": parts},
    }


_PROTOCOLS: Final = {"nats": "nats", "rabbitmq": "amqp", "mqtt": "mqtt5"}
_DEAD_LETTER: Final[Document] = {
    "name": "deadLetter",
    "title": "dead letter",
    "summary": "A message as it came; its headers say why it was given up.",
    "headers": {
        "type": "object",
        "properties": {
            "bagrelay-problem": {"type": "string", "description": "The problem type, a URN."},
            "bagrelay-reason": {"type": "string", "description": "What is wrong, in words."},
        },
        "required": ["bagrelay-problem", "bagrelay-reason"],
    },
    "payload": {},
}


def _server(kind: str, protocol: str) -> dict[str, Any]:
    return {
        "host": "{host}",
        "protocol": protocol,
        "description": f"{kind}, as the site file's [[queue]] names it.",
        "variables": {"host": {"default": "localhost", "description": "Host and port."}},
    }


def _key(kind: EventType | OutgoingType) -> str:
    """A component name: letters and digits only, such as orderScannedV1."""
    first, *rest = kind.value.removeprefix("bagrelay.").replace("-", ".").split(".")
    return first + "".join(word.capitalize() for word in rest)


def _message(kind: str, data: type[Record]) -> dict[str, Any]:
    title = (data.__doc__ or "").strip().split("\n", 1)[0]
    return {
        "name": kind,
        "title": kind,
        "summary": title,
        "contentType": "application/cloudevents+json",
        "payload": {
            "allOf": [
                {"$ref": "#/components/schemas/CloudEvent"},
                {
                    "type": "object",
                    "properties": {
                        "type": {"const": kind},
                        "data": {"$ref": f"#/components/schemas/{data.__name__}"},
                    },
                },
            ]
        },
    }


def _channel(field: str, description: str, messages: Mapping[str, object]) -> dict[str, Any]:
    return {
        "address": Queue.model_fields[field].default,
        "description": description,
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in messages},
    }


def _operation(action: str, channel: str, messages: Mapping[str, object]) -> dict[str, Any]:
    return {
        "action": action,
        "channel": {"$ref": f"#/channels/{channel}"},
        "messages": list(_message_references(channel, messages)),
    }


def _message_references(channel: str, messages: Mapping[str, object]) -> Iterator[dict[str, str]]:
    for name in messages:
        yield {"$ref": f"#/channels/{channel}/messages/{name}"}
