"""Many pieces in few parcels, within the work that one order may take."""

from gateway.fit import Room, decide
from schemas.decision import Outcome
from schemas.site import Site
from tests.unit.fit.checker import faults
from tests.unit.fit.given import a_bag_site, a_site, box, codes, order, station


def test_bag_that_fits_and_uses_more_film_says_how_much() -> None:
    """Every bag that is not taken is named with its numbers, those that would fit as well."""
    site = a_site(station=[station("s1", "small"), station("s2", "large")])
    decision = decide(order(box(125, 120, 20)), Room.of(site), site.station)
    assert [("s2", "large")] == [(d.station, d.bag) for d in decision.turned_down]
    assert {"more_film"} == codes(decision)


def test_heavy_pieces_go_into_as_few_parcels_as_their_mass_allows() -> None:
    """20 pieces of 900 g under a limit of 3000 g: 3 in a parcel, so 7 (simple division)."""
    site = a_bag_site({"width_mm": 500, "length_mm": 700, "mass_limit_g": 3000})
    given = order((box(100, 60, 20, mass_g=900), 20))
    decision = decide(given, Room.of(site), site.station)
    assert 7 == len(decision.parcels)
    assert [] == faults(decision, given, site)


def test_more_groups_to_keep_apart_than_parcels_says_so(site: Site) -> None:
    """The reason names both numbers, not only that nothing fits."""
    items = [box(90, 60, 20, handling={"keep_apart": f"g{n}"}) for n in range(9)]
    decision = decide(order(*items), Room.of(site), site.station)
    assert Outcome.MANUAL is decision.outcome
    assert (9.0, 8.0) in {(reason.needed, reason.available) for reason in decision.reasons}


def test_heavy_pieces_of_next_to_no_size_are_answered() -> None:
    """Sides whose product is too small for a float do not stop the fit."""
    site = a_bag_site({"width_mm": 500, "length_mm": 700, "mass_limit_g": 3000})
    given = order((box(1e-150, 1e-150, 1e-150, mass_g=900), 9))
    decision = decide(given, Room.of(site), site.station)
    assert Outcome.PACKED is decision.outcome
