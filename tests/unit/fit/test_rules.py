"""Packing rules of the site: conditions, effects, and what the report finds wrong with them."""

from typing import Any

import pytest

from gateway.fit import Room, decide, rules_report
from schemas.decision import Decision, Outcome
from schemas.goods import Item
from tests.unit.fit.given import a_site, box, codes, opened, order, station

PLAIN = {"ease_across_mm": 10, "ease_along_mm": 20, "label_margin_mm": 0}
LABEL = {"label_width_mm": 10, "label_height_mm": 10}


def decided(
    rules: list[dict[str, Any]],
    *items: Item | tuple[Item, int],
    bag: dict[str, Any] | None = None,
    at: dict[str, Any] | None = None,
    order_has: dict[str, Any] | None = None,
    **sections: Any,
) -> Decision:
    """The decision with these rules, one bag and one station."""
    whole = bag or opened("only", 400, 600)
    site = a_site(
        rule=rules,
        bag=[whole],
        station=[station("s1", whole["id"], printer=LABEL, **(at or {}))],
        packing=PLAIN,
        **sections,
    )
    return decide(order(*items, **(order_has or {})), Room.of(site), site.station)


def rule(name: str, effect: dict[str, Any], **when: Any) -> dict[str, Any]:
    """A rule as the site file states it."""
    return {"name": name, "when": when, "effect": effect}


def test_ease_of_a_goods_class_holds_for_parcels_with_such_goods() -> None:
    """The largest ease of the pieces counts, the site's where no rule speaks of a piece."""
    rules = [
        rule("knit", {"ease_across_mm": 2, "ease_along_mm": 4}, item={"goods_class": ["knit"]}),
        rule("glass", {"ease_across_mm": 40}, item={"goods_class": ["glass"]}),
    ]
    knit = box(100, 80, 20, goods_class="knit")
    needs = {
        name: decided(rules, *items).parcels[0].needed_width_mm
        for name, items in {
            "plain": [box(100, 80, 20)],
            "knit": [knit],
            "glass": [box(100, 80, 20, goods_class="glass")],
        }.items()
    }
    assert (8, 30) == (needs["plain"] - needs["knit"], needs["glass"] - needs["plain"])
    both = decided(rules, knit, box(1, 1, 1)).parcels[0]
    alone = decided(rules, knit).parcels[0]
    assert both.needed_width_mm > alone.needed_width_mm + 7


def test_heaviest_parcel_depends_on_the_film() -> None:
    """2 mil up to 5 lb, 4 mil up to 10 lb: a rule for each thickness, the tightest wins.

    Source: US Postal Service Publication 2, 2-2.3.1, as read in a copy.
    """
    rules = [
        rule("4 mil to 10 lb", {"max_parcel_mass_g": 4536}),
        rule("2 mil to 5 lb", {"max_parcel_mass_g": 2268}, bag={"thickness_below_um": 101.6}),
    ]
    thick = {"id": "thick", "thickness_um": 101.6}
    for film, mass, outcome in (
        ("white-60", 2000, Outcome.PACKED),
        ("white-60", 2300, Outcome.MANUAL),
        ("thick", 2300, Outcome.PACKED),
        ("thick", 4600, Outcome.MANUAL),
    ):
        films = [{"id": "white-60", "thickness_um": 60}, thick]
        bag = opened("only", 400, 600, film=film)
        decision = decided(rules, box(100, 80, 20, mass_g=mass), bag=bag, film=films)
        assert outcome is decision.outcome


def test_unknown_mass_is_not_guessed_where_a_limit_asks_for_it() -> None:
    """No mass, no proof that the limit is kept; without a limit it is only a warning."""
    unknown = box(100, 80, 20, mass_g=None)
    limited = opened("only", 400, 600, mass_limit_g=3000)
    assert "no_mass" in codes(decided([], unknown, bag=limited))
    [parcel] = decided([], unknown).parcels
    assert parcel.mass_g is None
    assert any("mass" in warning for warning in parcel.warnings)


def test_thick_goods_are_laid_flatter_or_turned_down() -> None:
    """The opening and the takeaway pass so much: goods are turned to pass, or the bag refused."""
    at = {"max_goods_thickness_mm": 60}
    [parcel] = decided([], box(200, 150, 50), box(200, 150, 50), at=at).parcels
    assert 50 == parcel.goods_size_mm[2]
    decision = decided([], box(200, 150, 70), at=at)
    assert "too_thick" in codes(decision)
    [reason] = decision.turned_down[0].reasons
    assert (70, 60, "station s1") == (reason.needed, reason.available, reason.rule)


def test_inbound_garments_ask_for_a_clear_bag_with_a_warning() -> None:
    """Clear film, and a warning on the bag or on its label."""
    text = "Keep this bag away from babies and children."
    warnings = [{"id": "inbound", "jurisdiction": "inbound", "text": text}]
    rules = [
        rule(
            "garments in",
            {"demand": ["clear", "warning"], "warning_text": "inbound"},
            order={"purpose": ["inbound"]},
            item={"goods_class": ["garment"]},
        )
    ]
    shirt = box(300, 200, 30, shape="soft", goods_class="garment")
    inbound: dict[str, Any] = {
        "at": {"purposes": ["inbound"]},
        "order_has": {"purpose": "inbound"},
        "warning": warnings,
    }
    clear = opened("only", 400, 600, film="clear-40")
    assert "film_not_clear" in codes(decided(rules, shirt, **inbound))
    assert "inbound" == decided(rules, shirt, bag=clear, **inbound).parcels[0].warning_text
    printed = clear | {"warning_printed": True}
    assert decided(rules, shirt, bag=printed, **inbound).parcels[0].warning_text is None


def test_warning_that_no_text_is_named_for_turns_the_bag_down() -> None:
    """A demanded warning is never left out in silence."""
    rules = [rule("warn", {"demand": ["warning"]})]
    assert "warning_missing" in codes(decided(rules, box(100, 80, 20)))


def test_handle_only_where_the_bag_has_one_or_the_station_punches_it() -> None:
    """A header without a punch is no handle."""
    rules = [rule("carry", {"demand": ["handle"]}, order={"any_tag": ["carry"]})]
    tagged = {"order_has": {"tags": ["carry"]}}
    goods = box(100, 80, 20)
    header = opened("only", 400, 600, header_mm=90)
    assert "opening_missing" in codes(decided(rules, goods, bag=header, **tagged))
    punching = decided(rules, goods, bag=header, at={"punches": ["handle"]}, **tagged)
    assert Outcome.PACKED is punching.outcome
    assert Outcome.PACKED is decided(rules, goods).outcome
    made = header | {"opening": "handle"}
    assert Outcome.PACKED is decided(rules, goods, bag=made, **tagged).outcome


def test_liquid_goes_into_a_spill_bag_or_has_its_own() -> None:
    """A second barrier, of the bag or inside it (common practice, no source)."""
    loose = box(100, 80, 20, handling={"liquid": True})
    double = box(100, 80, 20, handling={"liquid": True, "inner_bag": True})
    spill = opened("only", 400, 600, spill_containment=True)
    assert "spill" in codes(decided([], loose))
    assert Outcome.PACKED is decided([], loose, bag=spill).outcome
    assert Outcome.PACKED is decided([], double).outcome


def test_dangerous_goods_go_to_manual_unless_a_named_person_allows_them() -> None:
    """The approval is told in the parcel's warnings. Defer to local codes and licensed practice."""
    cells = box(60, 40, 10, sku="cells", handling={"dangerous": {"un_number": "UN3481"}})
    assert {"dangerous_goods"} == codes(decided([], cells))
    approval = {"approved_by": "A. Example, safety adviser", "reference": "note 7"}
    rules = [rule("cells", {"allow_dangerous": approval}, item={"sku": ["cells"]})]
    [parcel] = decided(rules, cells).parcels
    assert any("A. Example" in warning and "note 7" in warning for warning in parcel.warnings)
    other = box(60, 40, 10, sku="spray", handling={"dangerous": {}})
    assert {"dangerous_goods"} == codes(decided(rules, cells, other))


def test_service_limits_hold_for_the_filled_bag() -> None:
    """Length plus girth of the parcel at its fullest, film that sticks out included."""
    services = [{"id": "parcel", "max_length_plus_girth_mm": 1100}]
    fits = decided([], box(300, 200, 50), service=services, order_has={"service": "parcel"})
    assert "service_limit" in codes(fits)
    tight = opened("only", 280, 420)
    [parcel] = decided(
        [], box(300, 200, 50), bag=tight, service=services, order_has={"service": "parcel"}
    ).parcels
    assert (370, 230, 50) == parcel.outer_size_mm


def test_rule_turns_a_bag_down_or_sends_an_order_to_manual_in_its_own_words() -> None:
    """The rule's name and text are in the answer."""
    barred = [rule("no glass in thin film", {"turn_down_bag": True}, item={"fragile": True})]
    glass = box(100, 80, 20, handling={"fragile": True})
    reasons = decided(barred, glass).turned_down[0].reasons
    assert [("rule", "no glass in thin film")] == [(r.code.value, r.rule) for r in reasons]
    manual = [rule("gifts", {"manual": "gift wrap is done by hand"}, order={"any_tag": ["gift"]})]
    decision = decided(manual, box(100, 80, 20), order_has={"tags": ["gift"]})
    assert ["gift wrap is done by hand"] == [reason.text for reason in decision.reasons]


def test_station_takes_only_the_purposes_that_it_states() -> None:
    """An inbound order at an outbound station goes to manual packing with that reason."""
    decision = decided([], box(100, 80, 20), order_has={"purpose": "inbound"})
    assert Outcome.MANUAL is decision.outcome
    assert "takes inbound goods" in decision.reasons[0].text


@pytest.mark.parametrize(
    ("rules", "found"),
    [
        ([rule("a", {"turn_down_bag": True}, order={"service": ["x"]})], ["no service x"]),
        ([rule("a", {"turn_down_bag": True}, station={"id": ["x"]})], ["no station x"]),
        ([rule("a", {"turn_down_bag": True}, order={"purpose": ["return"]})], ["no station takes"]),
        ([rule("a", {"turn_down_bag": True}, bag={"id": ["x"]})], ["no bag of the site"]),
        (
            [
                rule(
                    "a",
                    {"turn_down_bag": True},
                    bag={"thickness_from_um": 60, "thickness_below_um": 50},
                )
            ],
            ["no film is"],
        ),
        ([rule("a", {"demand": ["clear", "opaque"]})], ["contradicts itself"]),
        (
            [rule("a", {"demand": ["clear"]}), rule("b", {"demand": ["opaque"]})],
            ["contradicts 'b'"],
        ),
        (
            [
                rule("a", {"demand": ["clear"]}, order={"purpose": ["inbound"]}),
                rule("b", {"demand": ["opaque"]}, order={"purpose": ["outbound"]}),
            ],
            [],
        ),
        (
            [
                rule("a", {"demand": ["clear"]}, item={"goods_class": ["garment"]}),
                rule("b", {"demand": ["opaque"]}, item={"goods_class": ["book"]}),
            ],
            [],
        ),
        (
            [
                rule("a", {"allow_dangerous": {"approved_by": "A", "reference": "1"}}),
                rule("b", {"manual": "by hand"}),
            ],
            ["always sends to manual"],
        ),
        ([rule("a", {"ease_across_mm": 5})], []),
        (
            [
                rule("a", {"ease_across_mm": 15}),
                rule("b", {"ease_across_mm": 5}, item={"goods_class": ["knit"]}),
            ],
            ["never counts: 'a' states 15"],
        ),
        (
            [
                rule("a", {"max_parcel_mass_g": 2000}, bag={"thickness_below_um": 70}),
                rule("b", {"max_parcel_mass_g": 5000}),
            ],
            [],
        ),
        (
            [rule("a", {"max_thickness_mm": 60}), rule("b", {"max_thickness_mm": 80})],
            ["max_thickness_mm of 80 never counts"],
        ),
    ],
)
def test_report_finds_rules_that_never_apply_or_contradict(
    rules: list[dict[str, Any]], found: list[str]
) -> None:
    """Each fault is named once, and sound rules are left alone."""
    stations = [station("s1", "small", purposes=["inbound", "outbound"])]
    findings = rules_report(a_site(rule=rules, station=stations))
    assert len(found) == len(findings), findings
    assert all(text in finding.text for text, finding in zip(found, findings, strict=True))
