"""What a real gateway logs over a piece of work: every step with its ids, nobody's address."""

import json
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from rigs.by_hand import ByHand, by_hand

EXAMPLES = Path(__file__).parents[2] / "examples"
sys.path.insert(0, str(EXAMPLES))

from orders import PEOPLE, plan  # noqa: E402

DAY = plan(40)
EVENT = {"specversion": "1.0", "source": "/scanner/7", "type": "bagrelay.order.scanned.v1"}


def _send(gateway: str, id_: str, data: object) -> int:
    event = {**EVENT, "id": id_, "data": data}
    headers = {"Content-Type": "application/cloudevents+json"}
    body = json.dumps(event).encode()
    return httpx.post(f"{gateway}/v1/events", content=body, headers=headers, timeout=30).status_code


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ByHand]:
    """A day of scans, good orders and broken ones, over a warehouse system that fails at times."""
    with by_hand(tmp_path_factory.mktemp("logs")) as started:
        httpx.put(f"{started.wms}/mood", json={"fail_every": 4})
        for number, scan in enumerate(DAY):
            data: dict[str, object] = {"station": scan.station, "code": scan.code}
            if scan.order is not None and number % 2:
                data["order"] = scan.order.model_dump(mode="json", exclude_defaults=True)
            _send(started.gateway, f"s-{number}", data)
        order = next(s.order for s in DAY if s.order is not None and s.order.ship_to is not None)
        broken = order.model_dump(mode="json", exclude_defaults=True)
        broken["ship_to"]["country"] = f"{order.ship_to.name if order.ship_to else ''}"
        assert 422 == _send(
            started.gateway, "b-1", {"station": "bench", "code": "x", "order": broken}
        )
        broken["ship_to"] = " ".join(PEOPLE[0])
        assert 422 == _send(
            started.gateway, "b-2", {"station": "bench", "code": "x", "order": broken}
        )
        yield started


def test_no_line_holds_an_address_or_label_bytes(worked: ByHand) -> None:
    """Names, streets and towns of the orders, and label commands, are in no line of the log.

    Escapes count too: a name with an accent may be written as a code point.
    """
    log = worked.log.read_text(encoding="utf-8")
    assert log
    personal = {text for person in PEOPLE for text in person[:3] if len(text) > 6}
    escaped = {json.dumps(text).strip('"') for text in personal}
    assert set() == {text for text in personal | escaped if text in log}
    assert not {"^XA", "^FD"} & {log[i : i + 3] for i in range(len(log))}


def test_every_line_is_json_with_the_ids_of_its_work(worked: ByHand) -> None:
    """One JSON object a line; a line about an accepted scan carries its event and its order."""
    lines = [json.loads(line) for line in worked.log.read_text(encoding="utf-8").splitlines()]
    accepted = [line for line in lines if line["event"] == "event.accepted"]
    assert len(accepted) >= len(DAY) // 2
    assert all(line["event_id"] for line in accepted)
    assert all(line["order_id"] for line in accepted if line["outcome"] == "queued")
