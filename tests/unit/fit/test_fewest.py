"""How few parcels there can be: bounds worked by hand, and never above what is packed."""

from random import Random

import pytest

from gateway.fit import Room, decide
from schemas.decision import Decision, Outcome
from schemas.order import Order
from schemas.site import Site
from tests.unit.fit.given import a_bag_site, box, order


def answer(asked: Order, site: Site) -> Decision:
    """The decision, packed."""
    decision = decide(asked, Room.of(site), site.station)
    assert decision.outcome is Outcome.PACKED
    return decision


def test_one_parcel_is_the_fewest() -> None:
    """Nothing takes less than one."""
    site = a_bag_site({"width_mm": 400, "length_mm": 600})
    assert 1 == answer(order(box(100, 80, 20)), site).lower_bound_parcels


def test_mass_proves_the_number_of_parcels() -> None:
    """Six pieces of 2 kg where a bag takes 5 kg: two in each, so three (12 / 5 = 2.4)."""
    site = a_bag_site({"width_mm": 400, "length_mm": 600, "mass_limit_g": 5000})
    decision = answer(order((box(60, 50, 20, mass_g=2000), 6)), site)
    assert (3, 3) == (len(decision.parcels), decision.lower_bound_parcels)
    assert not [text for text in decision.warnings if "parcels were found" in text]


def test_pieces_too_large_to_share_a_bag_prove_the_number() -> None:
    """Each 200 x 150 x 60 needs a width of 210 at the least; two need 150 + 2 x 60 = 270 or more.

    By volume three of them would be far from filling a bag of 230 x 300.
    """
    site = a_bag_site({"width_mm": 230, "length_mm": 300})
    decision = answer(order((box(200, 150, 60, mass_g=100), 3)), site)
    assert (3, 3) == (len(decision.parcels), decision.lower_bound_parcels)


def test_goods_kept_apart_prove_the_number() -> None:
    """Two groups that may not share a bag are two parcels."""
    site = a_bag_site({"width_mm": 400, "length_mm": 600})
    food = box(60, 50, 20, handling={"keep_apart": "food"})
    soap = box(60, 50, 20, handling={"keep_apart": "soap"})
    assert 2 == answer(order(food, soap), site).lower_bound_parcels


@pytest.mark.parametrize("seed", range(6))
def test_bound_is_never_above_what_is_packed(seed: int) -> None:
    """The answer's own parcels are a packing; where fewer are not ruled out, it says so."""
    chance = Random(seed)
    site = a_bag_site({"width_mm": 320, "length_mm": 420}, packing={"max_parcels": 12})
    lines = [
        box(chance.randint(60, 160), chance.randint(40, 120), chance.randint(10, 60))
        for _ in range(chance.randint(8, 16))
    ]
    decision = answer(order(*lines), site)
    parcels, least = len(decision.parcels), decision.lower_bound_parcels
    assert 1 <= least <= parcels
    assert (parcels > least) == any("not proved" in text for text in decision.warnings)
