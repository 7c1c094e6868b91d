"""The demo's day is the same each time, complete in its faults, and packable but for those."""

import sys
from pathlib import Path

import pytest
from stdnum import ean

EXAMPLES = Path(__file__).parents[2] / "examples"
sys.path.insert(0, str(EXAMPLES))

from articles import catalogue  # noqa: E402
from orders import Fault, Planned, orders, plan  # noqa: E402

from gateway.fit import Room, decide  # noqa: E402
from gateway.site_file import load  # noqa: E402
from schemas.decision import Outcome  # noqa: E402
from schemas.goods import Shape  # noqa: E402

TO_MANUAL = {Fault.FITS_NO_BAG, Fault.NO_SIZE, Fault.NOT_BAGGED}


def test_orders_in_the_repository_are_the_generated_ones() -> None:
    """orders.jsonl is what orders.py prints; remake it with the command in that file."""
    kept = (EXAMPLES / "orders.jsonl").read_text(encoding="utf-8").splitlines()
    assert kept == [order.model_dump_json(exclude_defaults=True) for order in orders()]


def test_day_has_every_fault_and_every_station() -> None:
    """Each fault that the demo shows falls into each day, and each station works."""
    day = plan()
    assert set(Fault) == {scan.fault for scan in day} - {None}
    assert {"bench", "floor", "line", "inbound"} == {scan.station for scan in day}
    assert 200 == len(day)


def test_short_day_keeps_its_faults_apart() -> None:
    """The shortest day still has all faults, each on an order of its own."""
    assert set(Fault) <= {scan.fault for scan in plan(count=40)}


def test_codes_are_unique() -> None:
    """A tote's code leads to one order."""
    codes = [scan.code for scan in plan()]
    assert len(codes) == len(set(codes))


def test_catalogue_has_many_articles_of_every_shape() -> None:
    """Sixty articles or more, boxes, cylinders, soft and flat goods, folded and nested ones."""
    items = catalogue().values()
    assert len(items) >= 60
    assert set(Shape) == {item.shape for item in items}
    assert any(item.folded_states for item in items)
    assert any(item.nest_step_mm for item in items)


@pytest.mark.parametrize("sku", sorted(catalogue()))
def test_gtin_is_valid_and_of_the_example_prefix(sku: str) -> None:
    """Check digits agree with python-stdnum, an independent implementation."""
    gtin = catalogue()[sku].gtin
    assert gtin is not None
    assert gtin.startswith("952")
    assert ean.is_valid(gtin)


@pytest.mark.parametrize("seed", [9521234, 1, 2, 3])
def test_only_the_planned_faults_go_to_manual_packing(seed: int) -> None:
    """The room's bags take every order of the day but those that are meant not to fit."""
    site = load(EXAMPLES / "room.toml")
    room, stations = Room.of(site), {station.id: station for station in site.station}

    def goes_to_manual(scan: Planned) -> bool:
        assert scan.order is not None
        decision = decide(scan.order, room, [stations[scan.station]], measured=scan.measured)
        return decision.outcome is Outcome.MANUAL

    with_order = [scan for scan in plan(seed=seed) if scan.order is not None]
    meant = {scan.code for scan in with_order if scan.fault in TO_MANUAL}
    assert meant == {scan.code for scan in with_order if goes_to_manual(scan)}
