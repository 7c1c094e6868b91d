"""Goods of every shape, measured sizes, and orders that need several parcels."""

from math import pi

import pytest

from gateway.fit import Room, decide, draw
from schemas.decision import Decision, Outcome
from schemas.goods import Item, MeasuredSize, Size
from schemas.site import Site
from tests.unit.fit.checker import faults
from tests.unit.fit.given import a_bag_site, a_site, box, codes, opened, order, station


def decided(site: Site, *items: Item | tuple[Item, int], **more: object) -> Decision:
    """The decision for these articles with every station of the site."""
    return decide(order(*items, **more), Room.of(site), site.station)


TO_SIZE = a_bag_site(
    {
        "form": "sealed_film",
        "min_width_mm": 1,
        "max_width_mm": 2000,
        "min_length_mm": 1,
        "max_length_mm": 2000,
        "width_step_mm": 0.001,
        "length_step_mm": 0.001,
    }
)


def test_soft_goods_give_to_their_stated_share_and_round_off() -> None:
    """A shirt of 300 x 200 x 50 mm that gives to 60 % is a stadium 30 mm thick."""
    shirt = box(300, 200, 50, shape="soft", compresses_to=0.6)
    [parcel] = decided(TO_SIZE, shirt).parcels
    need = sorted((parcel.needed_width_mm, parcel.needed_length_mm))
    assert [pytest.approx(200 - 30 + pi * 15), pytest.approx(300 - 30 + pi * 15)] == need


def test_folded_state_that_fits_is_taken() -> None:
    """A garment may be folded once more to fit the bag."""
    site = a_bag_site({"width_mm": 230, "length_mm": 320})
    wide = box(400, 300, 15, shape="soft")
    folded = box(
        400, 300, 15, shape="soft", folded_states=[{"length": 280, "width": 190, "height": 30}]
    )
    assert Outcome.MANUAL is decided(site, wide).outcome
    [parcel] = decided(site, folded).parcels
    assert sorted(parcel.goods_size_mm) == [30, 190, 280]


def test_nested_goods_add_only_their_step() -> None:
    """Ten bowls of 60 mm that nest by 8 mm stand 60 + 9 x 8 = 132 mm high."""
    bowl = box(160, 160, 60, nest_step_mm=8, handling={"turn": "this_side_up"})
    site = a_bag_site({"width_mm": 160 + 132, "length_mm": 160 + 132})
    [parcel] = decided(site, (bowl, 10)).parcels
    assert (160, 160, 132) == parcel.goods_size_mm
    tops = sorted(piece.z_mm + piece.dz_mm for piece in parcel.pieces)
    assert [60 + 8 * n for n in range(10)] == tops


def test_documents_lie_flat() -> None:
    """A flat article never stands on its edge, whatever bag that would fit."""
    site = a_bag_site({"width_mm": 120, "length_mm": 420})
    assert Outcome.PACKED is decided(site, box(210, 100, 10)).outcome
    document = box(297, 210, 10, shape="flat")
    assert Outcome.MANUAL is decided(site, document).outcome


def test_this_side_up_keeps_its_height_up() -> None:
    """The piece is laid as it rests although lying down would take less film."""
    bottle = box(80, 80, 200, handling={"turn": "this_side_up"})
    [parcel] = decided(TO_SIZE, bottle).parcels
    assert 200 == parcel.pieces[0].dz_mm


def test_fragile_piece_bears_no_more_than_its_own_mass() -> None:
    """The heavy one goes below or beside."""
    glass = box(200, 150, 40, mass_g=100, handling={"fragile": True, "turn": "flat_only"})
    brick = box(200, 150, 40, mass_g=2000, handling={"turn": "flat_only"})
    asked = order(glass, brick)
    decision = decide(asked, Room.of(TO_SIZE), TO_SIZE.station)
    assert [] == faults(decision, asked, TO_SIZE)
    heights = {piece.line_id: piece.z_mm for piece in decision.parcels[0].pieces}
    assert heights["l2"] <= heights["l1"]


def test_measured_size_stands_for_the_catalogue() -> None:
    """What the scanner saw is packed, and a small difference is no dispute."""
    seen = MeasuredSize(size=Size(length=205, width=150, height=42))
    asked = order(box(200, 150, 40))
    decision = decide(asked, Room.of(TO_SIZE), TO_SIZE.station, measured=seen)
    assert (() == decision.disputed, 42) == (True, min(decision.parcels[0].goods_size_mm))


def test_measured_size_far_from_the_catalogue_is_disputed_and_packed_as_measured() -> None:
    """Somebody must mend the catalogue; the goods on the infeed are what they are."""
    seen = MeasuredSize(size=Size(length=40, width=300, height=150))
    asked = order(box(200, 150, 40))
    decision = decide(asked, Room.of(TO_SIZE), TO_SIZE.station, measured=seen)
    [dispute] = decision.disputed
    assert ((200, 150, 40), (300, 150, 40), 100) == (
        dispute.catalogue_mm,
        dispute.measured_mm,
        dispute.off_by_mm,
    )
    assert (Outcome.PACKED, {"size_disputed"}) == (decision.outcome, codes(decision))


@pytest.mark.parametrize(
    ("seen_mm", "disputed"),
    [((312, 150, 40), False), ((300, 150, 52), True), ((300, 150, 49), False)],
)
def test_dispute_takes_a_share_and_a_length(
    seen_mm: tuple[float, float, float], disputed: bool
) -> None:
    """12 mm are little on 300 mm and much on 40 mm; 9 mm are below what the site minds."""
    length, width, height = seen_mm
    seen = MeasuredSize(size=Size(length=length, width=width, height=height))
    asked = order(box(300, 150, 40))
    decision = decide(asked, Room.of(TO_SIZE), TO_SIZE.station, measured=seen)
    assert disputed is bool(decision.disputed)


def test_measured_size_fills_in_for_a_missing_one() -> None:
    """An article without a size is packed by what the scanner saw."""
    seen = MeasuredSize(size=Size(length=200, width=150, height=40), mass_g=350)
    decision = decide(order(Item(sku="new")), Room.of(TO_SIZE), TO_SIZE.station, measured=seen)
    assert (Outcome.PACKED, ()) == (decision.outcome, decision.disputed)


def test_two_parcels_where_one_bag_can_not_be() -> None:
    """The fewest parcels, each piece in exactly one."""
    site = a_site(station=[station("s1", "small")])
    asked = order((box(150, 120, 30), 4))
    decision = decide(asked, Room.of(site), site.station)
    assert [] == faults(decision, asked, site)
    assert 2 == len(decision.parcels)


def test_many_pieces_are_dealt_into_parcels() -> None:
    """A large order is parted without a piece lost."""
    site = a_site(station=[station("s1", "large", "small")])
    asked = order(*((box(60 + 7 * n, 50 + 5 * n, 20 + 2 * n), 3) for n in range(9)))
    decision = decide(asked, Room.of(site), site.station)
    assert Outcome.PACKED is decision.outcome
    assert [] == faults(decision, asked, site)


def test_keep_apart_groups_never_share_a_parcel() -> None:
    """By the article's own group, and by a rule about classes."""
    soap = box(80, 60, 30, sku="soap", goods_class="soap", handling={"keep_apart": "scent"})
    tea = box(80, 60, 30, sku="tea", goods_class="food", handling={"keep_apart": "food"})
    plain = box(80, 60, 30, sku="plain")
    assert 2 == len(decided(a_site(), soap, tea, plain).parcels)
    rule = {
        "name": "no food beside soap",
        "when": {"item": {"goods_class": ["soap"]}},
        "effect": {"keep_apart_from": ["food"]},
    }
    loose = [item.model_copy(update={"handling": plain.handling}) for item in (soap, tea)]
    assert 1 == len(decided(a_site(), *loose).parcels)
    assert 2 == len(decided(a_site(rule=[rule]), *loose).parcels)


def test_parcels_without_labels_of_their_own_go_to_manual() -> None:
    """Supplied labels are one a parcel: fewer labels than parcels can't be sent."""
    site = a_site(station=[station("s1", "small")])
    labels = [{"language": "zpl", "content": "XlhBXlha"}]
    asked = order((box(150, 120, 30), 4), labels=labels)
    decision = decide(asked, Room.of(site), site.station)
    assert (Outcome.MANUAL, True) == (
        decision.outcome,
        "parcels_not_labelled" in codes(decision),
    )


def test_picture_shows_every_piece_and_the_hull_twice() -> None:
    """Three views with each piece; the hull of the side and of the end."""
    [parcel] = decided(TO_SIZE, box(200, 150, 40), box(100, 60, 60, shape="cylinder")).parcels
    picture = draw(parcel, "order <1> & more")
    assert 2 * 3 + 2 == picture.count("<polygon")
    assert "order &lt;1&gt; &amp; more" in picture


def test_turned_down_bags_carry_their_numbers() -> None:
    """Each bag of the station that was not taken for its size says what was missing."""
    site = a_site(
        bag=[opened("a", 200, 300), opened("b", 260, 420)], station=[station("s", "a", "b")]
    )
    [down] = decided(site, box(180, 150, 40)).turned_down
    assert ("a", {"mm"}) == (down.bag, {reason.unit for reason in down.reasons})
    assert all(
        reason.needed and reason.available and reason.needed > reason.available
        for reason in down.reasons
    )


def test_article_in_a_pack_of_its_own_is_bagged_with_a_hint() -> None:
    """It could carry the label without a bag; whether it does is the site's to say."""
    [parcel] = decided(a_site(), box(120, 90, 40, own_pack=True)).parcels
    assert any("pack of its own" in warning for warning in parcel.warnings)
    by_hand = {
        "name": "own packs get a label only",
        "when": {"item": {"own_pack": True}},
        "effect": {"manual": "label the pack, no bag"},
    }
    decision = decided(a_site(rule=[by_hand]), box(120, 90, 40, own_pack=True))
    assert ["label the pack, no bag"] == [reason.text for reason in decision.reasons]
