"""Laws of the fit, tried on orders of all kinds."""

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from gateway.fit import Room, decide
from schemas.decision import Decision, Outcome
from schemas.goods import Item
from schemas.order import Order
from schemas.site import Site
from tests.unit.fit.checker import faults
from tests.unit.fit.given import a_bag_site, a_site, box, order

SITE = a_site()
ROOM = Room.of(SITE)
TO_SIZE = a_bag_site(
    {
        "form": "sealed_film",
        "min_width_mm": 1,
        "max_width_mm": 4000,
        "min_length_mm": 1,
        "max_length_mm": 8000,
        "width_step_mm": 0.001,
        "length_step_mm": 0.001,
    }
)
QUICK = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)

sides = st.integers(5, 250).map(float)


@st.composite
def items(draw: st.DrawFn) -> Item:
    """An article of any shape and handling."""
    shape = draw(st.sampled_from(["box", "box", "cylinder", "soft", "flat"]))
    length, width, height = draw(sides), draw(sides), draw(st.integers(2, 120).map(float))
    if shape == "cylinder":
        width = height
    more = {
        "compresses_to": draw(st.sampled_from([1.0, 0.6])) if shape == "soft" else 1.0,
        "soft_section": draw(st.sampled_from(["stadium", "ellipse"])),
        "size_tolerance_mm": draw(st.sampled_from([0.0, 2.0])),
        "mass_g": draw(st.sampled_from([50.0, 400.0])),
        "handling": {
            "turn": draw(st.sampled_from(["any", "never_on_edge", "flat_only", "this_side_up"])),
            "fragile": draw(st.booleans()),
        },
    }
    return box(length, width, height, shape=shape, **more)


boxes = st.builds(box, sides, sides, sides)
small_orders = st.lists(st.tuples(items(), st.integers(1, 3)), min_size=1, max_size=4).map(
    lambda lines: order(*lines)
)
box_orders = st.lists(boxes, min_size=1, max_size=4).map(lambda lines: order(*lines))


def answer(asked: Order, site: Site = SITE) -> Decision:
    """The decision with every station of the site."""
    return decide(asked, Room.of(site), site.station)


def film(asked: Order, site: Site = TO_SIZE) -> float:
    """The film of an order, mm2."""
    decision = answer(asked, site)
    assert decision.outcome is Outcome.PACKED
    return sum(parcel.film_area_mm2 for parcel in decision.parcels)


@QUICK
@given(small_orders)
def test_every_layout_is_valid(asked: Order) -> None:
    """No overlap, all inside, handling kept, needs at least the hull, every piece once."""
    assert [] == faults(answer(asked), asked, SITE)


@QUICK
@given(st.lists(items(), min_size=1, max_size=4).map(lambda all_: order(*all_)), items())
def test_further_piece_never_takes_less_film(asked: Order, more: Item) -> None:
    """What holds more goods held fewer before: exactly, wherever every stacking is looked at."""
    larger = order(*(line.item for line in asked.lines), more)
    assert film(asked) <= film(larger) * (1 + 1e-9)


@settings(QUICK, max_examples=10)
@given(st.lists(boxes, min_size=6, max_size=8).map(lambda all_: order(*all_)), boxes)
def test_further_piece_takes_hardly_less_film_in_a_large_order(asked: Order, more: Item) -> None:
    """Beyond six different pieces groups are merged, and a further piece may change what merges.

    The worst of 530 random pairs of orders of 6 to 20 boxes was 5.3 %.
    """
    larger = order(*(line.item for line in asked.lines), more)
    assert film(asked) <= film(larger) * 1.08


@QUICK
@given(small_orders, st.integers(0, 300), st.integers(0, 300), st.integers(0, 60))
def test_larger_bag_holds_what_a_smaller_one_holds(
    asked: Order, wide: int, long: int, more: int
) -> None:
    """A fit never turns into a no-fit."""
    one_bag = {"max_parcels": 1, "ease_across_mm": 5, "ease_along_mm": 5}
    small = a_bag_site({"width_mm": 150 + wide, "length_mm": 150 + long}, packing=one_bag)
    large = a_bag_site(
        {"width_mm": 150 + wide + more, "length_mm": 150 + long + more}, packing=one_bag
    )
    assume(answer(asked, small).outcome is Outcome.PACKED)
    assert Outcome.PACKED is answer(asked, large).outcome


@QUICK
@given(small_orders, st.randoms(use_true_random=False))
def test_order_of_the_lines_does_not_matter(asked: Order, shuffling: object) -> None:
    """The same goods take the same film in whatever order the WMS lists them."""
    lines = list(asked.lines)
    shuffling.shuffle(lines)  # type: ignore[attr-defined]
    shuffled = asked.model_copy(update={"lines": tuple(lines)})
    assert film(asked) == film(shuffled)


@QUICK
@given(st.lists(st.tuples(sides, sides, sides), min_size=1, max_size=3))
def test_unit_does_not_matter(sizes: list[tuple[float, float, float]]) -> None:
    """Sizes in inches, centimetres and millimetres give the same bag (25.4 mm an inch)."""
    films = []
    for unit, factor in (("mm", 1.0), ("cm", 10.0), ("in", 25.4)):
        lines = [
            box(
                1,
                1,
                1,
                size={
                    "length": a / factor,
                    "width": b / factor,
                    "height": c / factor,
                    "unit": unit,
                },
            )
            for a, b, c in sizes
        ]
        films.append(film(order(*lines)))
    assert max(films) - min(films) < 1e-3 * max(films)


@QUICK
@given(box_orders, st.sampled_from([0.5, 2.0]))
def test_scaling_lengths_scales_the_film_by_the_square(asked: Order, factor: float) -> None:
    """Twice the size takes four times the film, without ease and seals."""
    scaled = order(
        *(
            box(*(side * factor for side in line.item.size.in_mm()))
            for line in asked.lines
            if line.item.size
        )
    )
    # the film is made in steps of a thousandth of a mm
    assert abs(film(scaled) - factor**2 * film(asked)) < 1e-4 * film(scaled) + 0.1
