"""The generated documents are up to date, valid by their own standards, and true."""

import json
import os
from collections.abc import Mapping
from pathlib import Path

import pytest
from jsonschema import Draft7Validator, Draft202012Validator
from openapi_spec_validator import validate
from pydantic import ValidationError
from typer import Typer
from typer.testing import CliRunner

from gateway.commands.schemas import GENERATED, as_text, schemas
from gateway.contract_documents import asyncapi, contract_models, documents, model_documents
from schemas.events import CloudEvent, OrderScanned, OutgoingType
from schemas.order import Order
from schemas.site import Site

TESTS = Path(__file__).parents[1]
ASYNCAPI_3 = TESTS / "rigs/asyncapi/node_modules/@asyncapi/specs/schemas/3.0.0-without-$id.json"
ORDERS = (TESTS.parent / "examples" / "orders.jsonl").read_text(encoding="utf-8").splitlines()


def _kept(name: str) -> dict[str, object]:
    parsed: dict[str, object] = json.loads((GENERATED / name).read_text(encoding="utf-8"))
    return parsed


def test_documents_are_up_to_date() -> None:
    """What is kept is what the models say now; `bagrelay schemas` mends it."""
    kept = {path.name: path.read_text(encoding="utf-8") for path in GENERATED.glob("*.*")}
    wanted = {name: as_text(document) for name, document in documents().items()}
    assert set(wanted) == set(kept)
    assert [] == [name for name in wanted if wanted[name] != kept[name]]


def test_command_writes_checks_and_tidies(tmp_path: Path) -> None:
    """The command makes a folder complete, then finds nothing to do; a stray file is removed."""
    app = Typer()
    app.command()(schemas)
    run = CliRunner()
    (tmp_path / "old.json").write_text("{}")
    assert 1 == run.invoke(app, ["--check", "--to", str(tmp_path)]).exit_code
    assert 0 == run.invoke(app, ["--to", str(tmp_path)]).exit_code
    assert 0 == run.invoke(app, ["--check", "--to", str(tmp_path)]).exit_code
    assert set(documents()) == {path.name for path in tmp_path.iterdir()}


@pytest.mark.parametrize("name", [n for n in model_documents() if n.endswith("schema.json")])
def test_json_schema_is_valid(name: str) -> None:
    """Each is a schema by the 2020-12 meta-schema, as jsonschema ships it."""
    Draft202012Validator.check_schema(_kept(name))


def test_contract_holds_every_model() -> None:
    """No public model of the contract is left out."""
    defs = _kept("contract.schema.json")["$defs"]
    assert isinstance(defs, Mapping)
    named = {key.rsplit("__", 1)[-1] for key in defs}
    assert {model.__name__ for model in contract_models()} <= named


def test_order_schema_takes_what_the_model_takes() -> None:
    """An independent validator agrees on the demo's orders, and on one with a field too many."""
    validator = Draft202012Validator(_kept("order.schema.json"))
    assert [] == [e.message for line in ORDERS for e in validator.iter_errors(json.loads(line))]
    wrong = json.loads(ORDERS[0]) | {"colour": "blue"}
    assert not validator.is_valid(wrong)
    with pytest.raises(ValidationError):
        Order.model_validate(wrong)


def test_site_schema_knows_every_table() -> None:
    """An editor that completes site files by this schema offers every table of the model."""
    properties = _kept("site.schema.json")["properties"]
    assert isinstance(properties, Mapping)
    assert set(Site.model_fields) == set(properties)


def test_openapi_is_valid() -> None:
    """The service's document holds to OpenAPI 3.1 by openapi-spec-validator."""
    validate(_kept("openapi.json"))


def test_asyncapi_is_valid() -> None:
    """The document holds to the JSON Schema that the AsyncAPI initiative publishes for 3.0.0."""
    if not ASYNCAPI_3.exists():
        reason = (
            "the published AsyncAPI schema is not installed: npm install in tests/rigs/asyncapi"
        )
        pytest.fail(reason) if os.environ.get("CI") else pytest.skip(reason)
    validator = Draft7Validator(json.loads(ASYNCAPI_3.read_text(encoding="utf-8")))
    assert [] == [f"{e.json_path}: {e.message[:200]}" for e in validator.iter_errors(asyncapi())]


def _message_validator(message: str) -> Draft202012Validator:
    document = asyncapi()
    payload = document["components"]["messages"][message]["payload"]
    return Draft202012Validator(payload | {"components": document["components"]})


def test_asyncapi_payload_describes_what_comes_in() -> None:
    """An event as the gateway takes it is valid by the document, one of another type is not."""
    data = OrderScanned(station="bench", code="T-1", order=Order.model_validate_json(ORDERS[0]))
    event = {
        "specversion": "1.0", "id": "1", "source": "/scanner/3",
        "type": "bagrelay.order.scanned.v1", "data": data.model_dump(mode="json"),
    }  # fmt: skip
    CloudEvent.model_validate(event)
    validator = _message_validator("orderScannedV1")
    assert [] == [error.message for error in validator.iter_errors(event)]
    assert not validator.is_valid(event | {"type": "bagrelay.bag.pulled.v1"})
    assert not validator.is_valid(event | {"data": {"station": "bench"}})


@pytest.mark.parametrize("kind", list(OutgoingType))
def test_asyncapi_names_every_outgoing_event(kind: OutgoingType) -> None:
    """Each type that the gateway sends is a message of the document and takes its own data."""
    named = {m["name"]: key for key, m in asyncapi()["components"]["messages"].items()}
    event = {
        "specversion": "1.0", "id": "1", "source": "/bagrelay", "type": kind.value,
        "data": {"order_id": "SO-1", "text": "x"},
    }  # fmt: skip
    assert _message_validator(named[kind.value]).is_valid(event)
