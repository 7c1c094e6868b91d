"""`POST /v1/fit` of a running gateway: hostile questions get a clear answer, and nothing hangs."""

import asyncio
import json
from collections.abc import Mapping
from pathlib import Path
from random import Random
from typing import Any

import httpx
import pytest

from tests.service.gateway_rig import order, running, station

PATIENCE_S = 30
"""A generous limit for a busy machine: each of these takes well under a second alone."""


def line(number: int, *sides: float, quantity: int = 1, **more: object) -> dict[str, Any]:
    """A line of boxes."""
    size = dict(zip(("length", "width", "height"), sides, strict=True))
    item = {"sku": f"sku-{number}", "size": size, "mass_g": 100, **more}
    return {"line_id": str(number), "quantity": quantity, "item": item}


def asked(*lines: Mapping[str, Any]) -> dict[str, Any]:
    """An order of these lines."""
    return {**order("asked"), "lines": list(lines)}


async def test_hostile_orders_are_answered_or_refused_by_name(tmp_path: Path) -> None:
    """Each answer is an outcome with a reason, or a problem that names the field."""
    chance = Random(3)
    many = [
        line(n, chance.randint(60, 300), chance.randint(40, 200), chance.randint(10, 90))
        for n in range(200)
    ]
    manual = {
        "too_many_pieces": asked(line(1, 10, 10, 10, quantity=1_000_000)),
        "size_absurd": asked(line(1, 1e300, 10, 10)),
        "no_bag_fits": asked(*many),
    }
    inches = {"length": 1e308, "width": 1, "height": 1, "unit": "in"}
    beyond = {"line_id": "1", "item": {"sku": "x", "size": inches}}
    refused = {
        "order.lines.0.quantity": asked(line(1, 10, 10, 10, quantity=1_000_001)),
        "order.lines.0.item.size.length": asked(line(1, float("nan"), 10, 10)),
        "order.lines": asked(*(line(n, 10, 10, 10) for n in range(10_001))),
        "question.measured.size.length": {
            "order": order("asked"),
            "measured": {"size": {"length": -1, "width": 1, "height": 1}},
        },
    }
    async with running(tmp_path, station("s1")) as rig:
        for code, body in manual.items():
            answer = await ask(rig.client, body)
            assert (200, "manual") == (answer.status_code, answer.json()["outcome"])
            assert code in {reason["code"] for reason in answer.json()["reasons"]}
        answer = await ask(rig.client, asked(beyond))
        assert ["size_absurd"] == [reason["code"] for reason in answer.json()["reasons"]]
        for field, body in refused.items():
            answer = await ask(rig.client, body)
            assert 422 == answer.status_code
            assert answer.json()["detail"].startswith(f"body.{field}:")


async def test_ten_thousand_lines_and_many_askers_leave_it_serving(tmp_path: Path) -> None:
    """The longest order, and fifty at once, while small questions go on being answered."""
    long = asked(*(line(n, 10 + n % 90, 10, 10) for n in range(10_000)))
    async with running(tmp_path, station("s1")) as rig:
        answers = await asyncio.gather(
            ask(rig.client, long), *(ask(rig.client, order(f"o-{n}")) for n in range(50))
        )
    outcomes = [answer.json()["outcome"] for answer in answers]
    assert ["manual", *["packed"] * 50] == outcomes


@pytest.mark.parametrize(
    ("loaded", "expected"),
    [
        ([{"bag": "small", "pieces_left": 0, "low_at": 0}], "supply_out"),
        ([{"bag": "tube", "metres_left": 0.1}], "supply_out"),
        ([], "no_bag_loaded"),
    ],
)
async def test_what_is_used_up_is_not_offered(
    tmp_path: Path, loaded: list[dict[str, Any]], expected: str
) -> None:
    """No bag left, too little film left, nothing loaded: manual, and it says which."""
    async with running(tmp_path, station("s1", loaded=loaded)) as rig:
        decision = (await ask(rig.client, order("asked"))).json()
    assert "manual" == decision["outcome"]
    told = decision["reasons"] + [r for down in decision["turned_down"] for r in down["reasons"]]
    assert expected in {reason["code"] for reason in told}


async def test_rules_that_contradict_each_other_turn_the_bag_down_by_name(tmp_path: Path) -> None:
    """One rule wants a warning that no bag has, another forbids the thickness: both are told."""
    rules = [
        {"name": "thin only", "effect": {"max_thickness_mm": 1}},
        {"name": "wide ease", "effect": {"ease_across_mm": 500}},
    ]
    async with running(tmp_path, station("s1"), rule=rules) as rig:
        decision = (await ask(rig.client, order("asked"))).json()
    assert "manual" == decision["outcome"]
    assert "thin only" in json.dumps(decision["turned_down"])


async def test_measured_size_stands_and_the_dispute_is_told(tmp_path: Path) -> None:
    """The scanner saw less than the catalogue says: packed by what was seen, and disputed."""
    seen = {"size": {"length": 120, "width": 150, "height": 20}}
    async with running(tmp_path, station("s1")) as rig:
        answer = await ask(rig.client, {"order": order("asked"), "measured": seen})
    decision = answer.json()
    assert ("packed", ["size_disputed"]) == (
        decision["outcome"],
        [reason["code"] for reason in decision["reasons"]],
    )


async def ask(client: httpx.AsyncClient, body: Mapping[str, Any]) -> httpx.Response:
    """One question; what JSON has no word for goes as the sender's library writes it."""
    return await client.post(
        "/v1/fit",
        content=json.dumps(body),
        headers={"content-type": "application/json"},
        timeout=PATIENCE_S,
    )
