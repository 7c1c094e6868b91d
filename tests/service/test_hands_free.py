"""A station without a person: item seen, code read, decided, go or no-go in the stated time."""

import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from schemas.order import Order
from schemas.station import Signal, SignalKind
from tests.service.gateway_rig import Rig, order, running, sees, station, until

sys.path.insert(0, str(Path(__file__).parents[2] / "examples"))

from wms import FakeWms

LARGE = {
    "line_id": "1",
    "item": {"sku": "door", "size": {"length": 1900, "width": 800, "height": 40}, "mass_g": 9000},
}


@pytest.fixture
def wms() -> Iterator[FakeWms]:
    """A WMS with an order that fits and one that fits no bag."""
    known = [order("fits"), order("too-large", lines=[LARGE])]
    with FakeWms([Order.model_validate(one) for one in known]) as server:
        yield server


@pytest.fixture
async def rig(tmp_path: Path, wms: FakeWms) -> AsyncIterator[Rig]:
    """A conveyor that gives half a second from the read to the go."""
    line = station("line", measures_items=True, decide_within_s=0.5)
    settings = {"url": wms.order_url, "budget_s": 3.0}
    async with running(tmp_path, line, wms=settings) as running_rig:
        await sees(lambda: bool(running_rig.stations["line"].listeners), "the gateway to listen")
        yield running_rig


def _arrives(rig: Rig, code: str, length_mm: float = 200) -> None:
    rig.stations["line"].report(
        Signal(
            kind=SignalKind.ITEM_PRESENT, code=code, length_mm=length_mm, width_mm=150, height_mm=20
        )
    )


async def test_goods_that_fit_are_bagged_with_no_person_in_it(rig: Rig) -> None:
    """The conveyor's read alone leads to a printed bag, and nothing is told to pass."""
    _arrives(rig, "fits")
    await sees(lambda: 1 == rig.stations["line"].printed_count, "a printed bag")
    await rig.job_in("fits", "printed", "closed")
    assert [] == rig.stations["line"].passed


@pytest.mark.parametrize(("code", "length_mm"), [("too-large", 1900), ("nobody-knows", 200)])
async def test_goods_that_cannot_be_bagged_are_told_to_pass(
    rig: Rig, code: str, length_mm: float
) -> None:
    """No bag, or no order: no-go, and nothing is printed for them."""
    _arrives(rig, code, length_mm)
    await sees(lambda: [code] == rig.stations["line"].passed, "a no-go")
    assert 0 == rig.stations["line"].printed_count


async def test_decision_that_comes_too_late_is_a_no_go(rig: Rig, wms: FakeWms) -> None:
    """A label for goods that have passed the sealer would go onto the next goods."""
    wms.mood.slow_s = 0.8
    _arrives(rig, "fits")
    await sees(lambda: ["fits"] == rig.stations["line"].passed, "a no-go")
    story = await rig.story("fits")
    assert "too_late" in [reason["code"] for reason in story["decision"]["reasons"]]
    assert 0 == rig.stations["line"].printed_count


async def test_wms_that_is_down_is_a_no_go(rig: Rig, wms: FakeWms) -> None:
    """Nothing was accepted, so nothing may be packed."""
    wms.mood.fail_every = 1
    _arrives(rig, "fits")
    await sees(lambda: ["fits"] == rig.stations["line"].passed, "a no-go")
    assert 0 == rig.stations["line"].printed_count


async def test_read_that_is_refused_is_told_to_the_room(rig: Rig, wms: FakeWms) -> None:
    """Nobody stands at a conveyor to read an answer: the view and an event say why."""
    wms.mood.fail_every = 1
    _arrives(rig, "fits")

    async def told() -> bool:
        return bool(await rig.outgoing("signal.refused"))

    await until(told, "the refusal to be told")
    (event,) = await rig.outgoing("signal.refused")
    assert "fits" in event["data"]

    async def shown() -> bool:
        return "WMS" in (await rig.view("line"))["signal_refused"]

    await until(shown, "the view to say why")
    wms.mood.fail_every = 0
    _arrives(rig, "fits")

    async def forgotten() -> bool:
        return (await rig.view("line"))["signal_refused"] == ""

    await until(forgotten, "the next good read to take its place")
