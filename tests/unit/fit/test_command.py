"""`bagrelay fit` and `POST /v1/fit` answer the same, and say what is wrong with bad input."""

import json
from pathlib import Path

import httpx
import pytest
import typer
from fastapi import FastAPI
from typer.testing import CliRunner

from gateway.commands.fit import fit
from gateway.fit import Room
from gateway.fit_route import fit_router
from schemas.site import Site
from tests.unit.fit.given import box, order

ROOM = Path(__file__).parents[3] / "examples" / "room.toml"


@pytest.fixture
def app() -> typer.Typer:
    """The command alone."""
    app = typer.Typer()
    app.command()(fit)
    return app


def test_orders_in_a_file_are_answered_in_order_with_a_picture_each(
    app: typer.Typer, tmp_path: Path
) -> None:
    """One JSON object a line, in order, and an SVG for each parcel."""
    asked = [order(box(120, 90, 20), order_id=name) for name in ("b", "a", "c")]
    orders = tmp_path / "orders.jsonl"
    orders.write_text("\n".join(o.model_dump_json() for o in asked), encoding="utf-8")
    result = CliRunner().invoke(
        app, ["--site", str(ROOM), "--svg", str(tmp_path / "svg"), str(orders)]
    )
    answers = [json.loads(line) for line in result.stdout.splitlines()]
    assert (0, ["b", "a", "c"]) == (result.exit_code, [answer["order_id"] for answer in answers])
    assert 3 == len(list((tmp_path / "svg").glob("*.svg")))


def test_line_that_is_no_order_is_answered_with_what_is_wrong(app: typer.Typer) -> None:
    """A bad line neither stops the stream nor goes unanswered."""
    good = order(box(120, 90, 20)).model_dump_json()
    bad = '{"order_id": "o-2", "lines": []}'
    result = CliRunner().invoke(app, ["--site", str(ROOM), "-"], input=f"{bad}\nnot json\n{good}\n")
    answers = [json.loads(line) for line in result.stdout.splitlines()]
    assert 1 == result.exit_code
    assert [("o-2", "manual"), ("line 2", "manual"), ("o-1", "packed")] == [
        (answer["order_id"], answer["outcome"]) for answer in answers
    ]


def test_unknown_station_is_refused_before_any_answer(app: typer.Typer) -> None:
    """Exit code 2 and the stations that there are."""
    result = CliRunner().invoke(app, ["--site", str(ROOM), "--station", "nowhere", "-"], input="")
    assert (2, "") == (result.exit_code, result.stdout)
    assert "nowhere" in result.stderr


async def test_question_over_http_takes_an_order_alone_or_with_a_station(site: Site) -> None:
    """Both bodies give the decision that the library gives."""
    app = FastAPI()
    app.include_router(fit_router(Room.of(site), lambda: site.station))
    asked = order(box(120, 90, 20)).model_dump(mode="json")
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://room.example") as client:
        alone = await client.post("/v1/fit", json=asked)
        named = await client.post("/v1/fit", json={"order": asked, "station": "s2"})
    assert (200, 200) == (alone.status_code, named.status_code)
    assert "s2" == named.json()["parcels"][0]["station"]
