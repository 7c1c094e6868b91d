"""What the OpenAPI document says of the door: problems as answers, and how to show who you are."""

from typing import Any, Final

from fastapi import FastAPI

from gateway.access.caller import OPEN_DOOR
from gateway.access.paths import Paths
from gateway.access.roles import Bound
from gateway.problems import MEDIA_TYPE
from schemas.problem import Problem

_ROUTED: Final = "#/components/schemas/Problem"


def _problem(text: str) -> dict[str, Any]:
    return {
        "description": text,
        "content": {MEDIA_TYPE: {"schema": {"$ref": _ROUTED}}},
    }


PROBLEMS: Final[dict[int | str, dict[str, Any]]] = {
    "4XX": _problem("Refused; the problem says why (RFC 9457)"),
    "5XX": _problem("Not done; nothing was accepted (RFC 9457)"),
}
"""For every route: each may be refused, and says so in the same way."""


def install(app: FastAPI) -> None:
    """Let the document say what the framework can't know by itself."""
    made = app.openapi

    def openapi() -> dict[str, Any]:
        document = made()
        if "securitySchemes" not in document.get("components", {}):
            _complete(document)
        return document

    app.openapi = openapi  # type: ignore[method-assign]


def _complete(document: dict[str, Any]) -> None:
    components = document.setdefault("components", {})
    models = components.setdefault("schemas", {})
    models.setdefault(
        "Problem", Problem.model_json_schema(ref_template="#/components/schemas/{model}")
    )
    inner = models["Problem"].pop("$defs", {})
    for name, schema in inner.items():
        models.setdefault(name, schema)
    components["securitySchemes"] = {
        "bearer": {
            "type": "http",
            "scheme": "bearer",
            "description": "A key of `bagrelay access key new`, or a token of the site's identity "
            f"provider. Where the site file sets access.open_door (the actor is then "
            f"'{OPEN_DOOR}') none is needed.",
        }
    }
    paths = Paths()
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            found = paths.find(method.upper(), path)
            row = found.row if found else None
            if row is None or row.bound is Bound.OPEN:
                operation["security"] = []
                continue
            operation["security"] = [{"bearer": []}]
            roles = ", ".join(sorted(row.roles))
            told = operation.get("description", "")
            operation["description"] = f"{told}\n\nRoles: {roles}.".strip()
