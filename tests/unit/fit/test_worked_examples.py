"""Worked examples from outside the project; the source stands beside each."""

from datetime import date
from math import pi

import pytest

from gateway.fit import Room, decide
from gateway.fit.answer import capacity_mm3
from gateway.fit.bags import film_mass_g
from gateway.fit.caution import least_type_pt
from gateway.fit.front import front_of
from gateway.fit.hull import disc_half_girth, ellipse_half_girth, stadium_half_girth
from gateway.fit.pieces import kind_of
from gateway.fit.weight import billed_mass, dimensional_rule
from schemas.goods import Item
from schemas.rules import DimensionalWeight, Service, TypeSize, WarningText
from schemas.supply import Film
from tests.unit.fit.given import a_bag_site, box, order

INCH = 25.4


def least(item: Item) -> tuple[float, float]:
    """Width and length of the arrangement that takes the least film of a plain bag."""
    best = min(front_of([kind_of(item)]).arrangements, key=lambda one: one.width * one.length)
    return best.width, best.length


@pytest.mark.parametrize(
    ("item", "width", "length"),
    [
        ((10, 8, 2), 10, 12),
        ((12, 9, 1), 10, 13),
        ((9, 6, 3), 9, 12),
        ((14, 10, 4), 14, 18),
    ],
)
def test_box_in_a_flat_bag_needs_width_plus_height_by_length_plus_height(
    item: tuple[float, float, float], width: float, length: float
) -> None:
    """W = w + h and L = l + h, the smallest side through the bag.

    Source: common practice of the trade, no source; both follow from the girth of a section.
    """
    size = {"length": item[0], "width": item[1], "height": item[2], "unit": "in"}
    needs = sorted(least(box(1, 1, 1, size=size)))
    assert [pytest.approx(width * INCH), pytest.approx(length * INCH)] == needs


@pytest.mark.parametrize(
    ("axes", "perimeter"),
    [
        ((8, 2), 17.156844),
        ((10, 2), 21.010045),
        ((200, 50), 428.9211),
        ((1, 1), pi),
    ],
)
def test_cushion_has_the_perimeter_of_an_ellipse(
    axes: tuple[float, float], perimeter: float
) -> None:
    """Within 3 parts in a million of the arithmetic-geometric mean value, for these shapes.

    Source: S. Ramanujan, Modular equations and approximations to pi (1914), from memory; exact
    values by the arithmetic-geometric mean.
    """
    assert pytest.approx(perimeter / 2, rel=3e-6) == ellipse_half_girth(*axes)


def test_cylinder_along_the_bag_needs_half_its_circumference() -> None:
    """A roll of 100 mm needs 157.08 mm of flat width; its length and diameter along.

    Source: geometry; the rule for drum liners (W = 3.14 D / 2, L = H + D / 2 an end) agrees.
    """
    roll = box(300, 100, 100, shape="cylinder")
    assert (pytest.approx(157.08, abs=0.01), 400.0) in [
        (one.width, one.length) for one in front_of([kind_of(roll)]).arrangements
    ]
    assert pytest.approx(pi * 4 / 2) == disc_half_girth(4)


@pytest.mark.parametrize(("width", "height"), [(8, 2), (12, 4), (200, 50)])
def test_rounder_sections_need_less_film(width: float, height: float) -> None:
    """Ellipse below stadium below rectangle, so a soft model never fits a rigid box (geometry)."""
    soft = ellipse_half_girth(width, height), stadium_half_girth(width, height)
    assert soft[0] < soft[1] < width + height
    assert pytest.approx(width + 0.5708 * height, abs=1e-3) == soft[1]


@pytest.mark.parametrize(
    ("wide", "long", "mil", "grams"),
    [
        (6, 9, 2, 3.256),
        (10, 13, 2, 7.840),
        (10, 13, 2.5, 9.799),
        (19, 24, 2.5, 34.374),
    ],
)
def test_bag_weighs_area_times_thickness_times_density(
    wide: float, long: float, mil: float, grams: float
) -> None:
    """Two panels at 0.92 g/cm3. Source: density; the trade's W L mil / 15 pounds a thousand, which
    stands for 0.9227 g/cm3, agrees within 0.4 %."""
    film = Film(id="f", thickness_um=mil * INCH, density_g_cm3=0.92)
    mass = film_mass_g(film, 2 * wide * INCH * long * INCH)
    assert pytest.approx(grams, abs=0.001) == mass
    pounds_a_thousand = mass * 1000 / 453.59237
    assert pytest.approx(wide * long * mil / 15, rel=0.004) == pounds_a_thousand


def test_roll_of_film_weighs_what_is_published() -> None:
    """300 m by 0.5 m by 17 um at 920 kg/m3 weigh 2.346 kg. Source: a published roll table."""
    film = Film(id="f", thickness_um=17, density_g_cm3=0.92)
    assert pytest.approx(2346.0) == film_mass_g(film, 300_000 * 500)


@pytest.mark.parametrize(
    ("thickness", "density", "square_metres"), [(INCH, 0.92, 42.79), (INCH, 0.95, 41.44)]
)
def test_yield_of_film_is_area_a_kilogram(
    thickness: float, density: float, square_metres: float
) -> None:
    """1 mil film: 42.7 m2/kg for LLDPE, 41.5 for HDPE in a published chart, which rounds."""
    film = Film(id="f", thickness_um=thickness, density_g_cm3=density)
    assert pytest.approx(square_metres, abs=0.01) == 1000 / film_mass_g(film, 1e6)


def dimensional(**more: object) -> DimensionalWeight:
    """A rule in inches and pounds with divisor 139, unless said otherwise."""
    rule = {"divisor": 139, "side_unit": "in", "mass_unit": "lb", "side_rounding": "up"}
    return DimensionalWeight.model_validate(rule | more)


@pytest.mark.parametrize(
    ("sides", "rounding", "divisor", "billed"),
    [
        ((20.4, 15.2, 10.3), "half_up", 139, 22),
        ((20.4, 15.2, 10.3), "half_up", 166, 19),
        ((20.4, 15.2, 10.3), "up", 139, 27),
        ((20.4, 15.2, 10.3), "up", 166, 23),
        ((11.1, 8.5, 6.2), "half_up", 139, 5),
        ((11.1, 8.5, 6.2), "up", 139, 6),
        ((18, 14, 12), "up", 139, 22),
        ((12.25, 9.5, 2.25), "half_up", 139, 2),
        ((12.25, 9.5, 2.25), "up", 139, 3),
    ],
)
def test_dimensional_weight_rounds_sides_then_divides_then_rounds_up(
    sides: tuple[float, float, float], rounding: str, divisor: int, billed: float
) -> None:
    """Source: published practice of US parcel services; the box sizes are of two trade articles."""
    rule = dimensional(side_rounding=rounding, divisor=divisor)
    length, width, height = (side * INCH for side in sides)
    assert billed == billed_mass(rule, (length, width, height), 1.0)


def test_air_cargo_rule_goes_up_to_half_a_kilogram() -> None:
    """150.2 x 125.5 x 100.6 cm is 150 x 126 x 101, / 6000 is 318.15, billed 318.5 kg.

    Source: worked example in a training copy of the air cargo tariff rules.
    """
    rule = DimensionalWeight(divisor=6000, side_rounding="half_up", mass_step=0.5)
    assert 318.5 == billed_mass(rule, (1502, 1255, 1006), 1000)
    assert 35.0 == billed_mass(rule, (700, 500, 600), 1000)


def test_dated_rule_counts_from_its_day() -> None:
    """Sides were rounded half up until 17 August 2025 and up since (trade press)."""
    service = Service(
        id="parcel",
        dimensional_weight=(
            dimensional(side_rounding="half_up"),
            dimensional(from_date=date(2025, 8, 18)),
        ),
    )
    before = dimensional_rule(service, date(2025, 8, 17))
    after = dimensional_rule(service, date(2025, 8, 18))
    assert before is not None
    assert after is not None
    assert ("half_up", "up") == (before.side_rounding.value, after.side_rounding.value)
    assert after == dimensional_rule(service, None)


def test_weight_on_a_whole_step_is_not_billed_a_step_more() -> None:
    """A ceiling over floats would slip: 27.8 lb of volume at divisor 139 in steps of 0.1."""
    rule = dimensional(mass_step=0.1, side_rounding="none")
    volume = 27.8 * 139
    assert 27.8 == billed_mass(rule, (volume / 20 / 10 * INCH, 20 * INCH, 10 * INCH), 1.0)


@pytest.mark.parametrize(
    ("width", "length", "capacity"), [(1, 2, 0.49604), (2, 1, 0.49604), (1, 10, 3.04110)]
)
def test_capacity_of_a_flat_bag_is_the_teabag_estimate(
    width: float, length: float, capacity: float
) -> None:
    """Swapping the sides is no error. Source: A. C. Robin, Paper Bag Problem, Mathematics Today
    (June 2004), short formula."""
    assert pytest.approx(capacity, abs=1e-5) == capacity_mm3(width, length)


def test_answer_of_a_worked_box_has_the_film_of_its_bag() -> None:
    """300 x 200 x 50 mm takes 250 x 350 mm bare, one panel 87,500 mm2 (common practice)."""
    site = a_bag_site({"width_mm": 250, "length_mm": 350})
    [parcel] = decide(order(box(300, 200, 50)), Room.of(site), site.station).parcels
    assert (250, 350, 175_000) == (
        parcel.needed_width_mm,
        parcel.needed_length_mm,
        parcel.film_area_mm2,
    )


@pytest.mark.parametrize(
    ("wide", "long", "points"),
    [(12, 17, 10), (14, 15.9, 10), (14, 16, 14), (15, 25, 18), (20, 39.9, 18), (25, 35, 24)],
)
def test_warning_grows_with_length_plus_width(wide: float, long: float, points: float) -> None:
    """Inches: 60 and up 24 pt, 40 to below 60 18 pt, 30 to below 40 14 pt, below 30 10 pt.

    Source: Rhode Island General Laws 11-9-16, the same in California Business and Professions
    Code 22200, both read in copies. Defer to local codes and to counsel.
    """
    steps = ((0, 10), (30, 14), (40, 18), (60, 24))
    warning = WarningText(
        id="us-ri",
        jurisdiction="US-RI",
        text="Keep this bag away from babies and children.",
        type_sizes=tuple(
            TypeSize(length_plus_width_from_mm=inches * INCH, points=size) for inches, size in steps
        ),
    )
    assert points == least_type_pt(warning, wide * INCH, long * INCH)
