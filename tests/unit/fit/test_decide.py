"""The choice of a bag for whole orders."""

import pytest

from gateway.fit import Room, decide
from schemas.decision import Outcome
from schemas.goods import Item
from schemas.site import Site
from tests.unit.fit.given import a_bag_site, a_site, box, codes, order, station

TO_SIZE = {
    "form": "sealed_film",
    "min_width_mm": 100,
    "max_width_mm": 600,
    "min_length_mm": 100,
    "max_length_mm": 900,
}


def test_box_that_fits_several_bags_takes_the_least_film() -> None:
    """The least film wins, and larger bags are not mentioned as faulty."""
    rolls = a_site(station=[station("s1", "large", "small")])
    decision = decide(order(box(125, 120, 20)), Room.of(rolls), rolls.station)
    assert ["small"] == [parcel.bag.id for parcel in decision.parcels]
    [down] = decision.turned_down
    [reason] = down.reasons
    assert ("large", "more_film") == (down.bag, reason.code.value)
    assert (448_000.0, 120_000.0) == (reason.needed, reason.available)


def test_article_without_a_size_goes_to_manual_packing(site: Site) -> None:
    """A missing size is never guessed."""
    decision = decide(order(Item(sku="unknown")), Room.of(site), site.station)
    assert Outcome.MANUAL is decision.outcome
    assert {"no_size"} == codes(decision)


def test_bag_exactly_as_large_as_the_trade_rule_asks_is_taken() -> None:
    """W = w + h and L = l + h hold a box (common practice, no source; two girth arguments)."""
    item = box(300, 200, 50)
    fits = a_bag_site({"width_mm": 250, "length_mm": 350})
    assert Outcome.PACKED is decide(order(item), Room.of(fits), fits.station).outcome
    short = a_bag_site({"width_mm": 250, "length_mm": 349})
    assert Outcome.MANUAL is decide(order(item), Room.of(short), short.station).outcome


def test_bag_that_is_not_loaded_and_would_do_is_named() -> None:
    """The supervisor learns which roll to load."""
    site = a_site(station=[station("s1", "small")])
    decision = decide(order(box(300, 250, 60)), Room.of(site), site.station)
    assert ("bag large would take the order if s1 had it",) == decision.warnings


def test_bag_that_the_site_file_does_not_know_is_turned_down() -> None:
    """A supply event may name a bag that nobody described; the answer says so."""
    site = a_site(station=[station("s1", "small")])
    given = site.station[0]
    stray = given.loaded[0].model_copy(update={"bag": "stray"})
    at = given.model_copy(update={"loaded": (stray, *given.loaded)})
    decision = decide(order(box(150, 100, 20)), Room.of(site), [at])
    assert ["stray"] == [down.bag for down in decision.turned_down]
    assert "s1" == decision.parcels[0].station


def test_answer_says_in_a_sentence_what_set_the_size() -> None:
    """Words beside the data."""
    site = a_bag_site({"width_mm": 260, "length_mm": 350})
    [parcel] = decide(order(box(300, 200, 50)), Room.of(site), site.station).parcels
    expected = (
        "bag only, 260 x 350 mm, at s1: goods of 300 x 200 x 50 mm need 250 x 350 mm;"
        " it is tightest in its length"
    )
    assert (expected, "length") == (parcel.text, parcel.binding)


def test_service_that_the_site_does_not_know_is_said() -> None:
    """Limits that nobody checked must not look like limits that were kept."""
    site = a_site(station=[station("s1", "small")])
    known = decide(order(box(120, 90, 20)), Room.of(site), site.station)
    unknown = decide(order(box(120, 90, 20), service="balloon"), Room.of(site), site.station)
    assert () == known.warnings
    assert ["balloon" in said for said in unknown.warnings] == [True]


def test_answer_holds_no_dust_of_float_sums() -> None:
    """Sizes in tenths of an inch add up to numbers that somebody can read and compare."""
    site = a_bag_site(TO_SIZE | {"width_step_mm": 0.3, "length_step_mm": 0.7})
    inches = {"length": 5.1, "width": 3.3, "height": 0.7, "unit": "in"}
    [parcel] = decide(order((box(1, 1, 1, size=inches), 3)), Room.of(site), site.station).parcels
    for value in (
        parcel.bag.width_mm,
        parcel.bag.length_mm,
        parcel.margin_width_mm,
        parcel.margin_length_mm,
    ):
        assert f"{value:.4f}".rstrip("0").rstrip(".") in {str(value), str(int(value))}
    for need, size in (
        (parcel.needed_width_mm, parcel.bag.width_mm),
        (parcel.needed_length_mm, parcel.bag.length_mm),
    ):
        assert abs(need * 100 - round(need * 100)) < 1e-6 or need == size


@pytest.mark.parametrize(
    ("sides", "more", "binding"),
    [
        ((290, 200, 33), {"length_step_mm": 50}, "width"),
        ((290, 200, 33), {"width_step_mm": 50}, "length"),
        ((30, 20, 5), {"min_width_mm": 200, "min_length_mm": 200}, "stock"),
    ],
)
def test_film_sealed_to_size_says_which_side_set_it(
    sides: tuple[float, float, float], more: dict[str, float], binding: str
) -> None:
    """The tighter side of the goods, or the least size where the goods ask for less."""
    site = a_bag_site(TO_SIZE | more)
    [parcel] = decide(order(box(*sides)), Room.of(site), site.station).parcels
    assert binding == parcel.binding
