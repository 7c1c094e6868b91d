"""The AsyncAPI document is true: a client that knows nothing else talks to the gateway by it.

Payloads are held to the document's schemas by jsonschema, an independent validator.
"""

import json
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

from gateway.contract_documents import documents
from tests.contract.broker_clients import Reader, Seen, publish
from tests.service.brokers import Brokered, broker, rabbit
from tests.service.gateway_rig import order, running, station, until

__all__ = ["broker", "rabbit"]

Document = dict[str, Any]


class Client:
    """Knows the document and a broker's URL."""

    def __init__(self, document: Document, url: str) -> None:
        self.document, self.url = document, url

    def address(self, operation: str, action: str) -> str:
        """Where an operation of the gateway takes place."""
        said = self.document["operations"][operation]
        assert action == said["action"]
        return str(self._at(said["channel"]["$ref"])["address"])

    def check(self, operation: str, event: Document) -> None:
        """The event is one of the operation's messages, by the schema of its type."""
        messages = [
            self._at(self._at(one["$ref"])["$ref"])
            for one in self.document["operations"][operation]["messages"]
        ]
        [message] = [one for one in messages if one["name"] == event["type"]]
        schema = message["payload"] | {"components": self.document["components"]}
        assert [] == [error.message for error in Draft202012Validator(schema).iter_errors(event)]

    def check_dead(self, seen: Seen) -> None:
        """A dead letter's headers are what the document says."""
        [one] = self.document["operations"]["giveUp"]["messages"]
        headers = self._at(self._at(one["$ref"])["$ref"])["headers"]
        assert Draft202012Validator(headers).is_valid(dict(seen.headers))

    def _at(self, reference: str) -> Any:
        here: Any = self.document
        for step in reference.removeprefix("#/").split("/"):
            here = here[step]
        return here


async def test_client_of_the_document_is_understood(broker: Brokered, tmp_path: Path) -> None:
    """It sends what the document says where the document says; what it hears holds to it."""
    client = Client(json.loads(json.dumps(documents()["asyncapi.json"])), broker.url)
    queue = {"id": "site", "url": broker.section["url"]}  # every address as it comes
    async with running(tmp_path, station("s1"), queue=[queue]) as rig:

        async def connected() -> bool:
            view = (await rig.client.get("/v1/queues")).json()
            return all(way["connected"] for way in view["ways_in"])

        await until(connected, "the queue to be connected")
        event = rig.event("order.scanned", "s1", code="o1", order=order("o1"))
        client.check("takeEvent", event)
        async with (
            Reader(broker.url, client.address("tellEvent", "send")) as told,
            Reader(broker.url, client.address("giveUp", "send")) as dead,
        ):
            await publish(
                broker.url,
                client.address("takeEvent", "receive"),
                json.dumps(event).encode(),
                b"poison",
                content_type=client.document["defaultContentType"],
            )
            kinds = []
            while len(kinds) < 3:
                seen = await told.next()
                assert client.document["defaultContentType"] == seen.content_type
                client.check("tellEvent", json.loads(seen.body))
                kinds.append(json.loads(seen.body)["type"])
            client.check_dead(await dead.next())
    assert "bagrelay.order.decided.v1" == kinds[0]
