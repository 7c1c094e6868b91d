"""A floor under the film: what no packing of some pieces can do without.

Three views of it. A bag that holds all pieces holds each of them, so it needs what the neediest
piece needs. It holds any two boxes, which a plane parts, so that one lies beside or over the
other; third pieces may lift one of them to where the hull is least. And it holds all the volume:
let W and L be the half girths of the hull in the two views, c its height, s = sqrt(W L). At
height z the goods lie within x(z) y(z), so their volume is at most sqrt(X Y) with X the integral
of x(z)^2, at most extent times area of that view. A convex figure of half girth W and height c
has an extent of at most sqrt(W^2 - c^2) (the rhombus) and an area of at most c W - pi c^2 / 4
(T. Bonnesen's inequality, from memory). With the two views together, by the inequality of the
means, V <= sqrt(s^2 - c^2) c (s - pi c / 4). The right side is greatest at c = 0.505 s, where it
is 0.26300 s^3. Own derivation.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product as product_of
from math import cbrt, inf, pi, sqrt

from gateway.fit import core
from gateway.fit.bags import (
    Allowance,
    allowance_of,
    film_area,
    largest,
    stepped,
    too_long,
    too_wide,
)
from gateway.fit.girth import section_half_girth
from gateway.fit.hull import slant
from gateway.fit.one_or_two import stacked
from gateway.fit.pieces import Kind, Pose
from schemas.decision import Reason
from schemas.goods import Shape
from schemas.supply import Bag, BagForm

_BOXES = {Shape.BOX, Shape.FLAT}
_MOST_PER_CUBE = 0.263
"""Volume over s^3 that no hull exceeds, rounded up."""
_FULLEST_AT = 0.505
"""The height over s at which that is reached."""


@dataclass(frozen=True, slots=True)
class Floor:
    """The least bare needs of some goods, mm, and the least product of the two, mm2."""

    need: float
    product: float


def floor_of(kinds: Sequence[Kind]) -> Floor:
    """The floor under any packing of these pieces, one entry of `kinds` for each piece."""
    need = product = volume = 0.0
    for kind in kinds:
        volume += kind.filled_mm3
        girths = [
            (
                section_half_girth(pose.end, pose.across, pose.up),
                section_half_girth(pose.side, pose.along, pose.up),
            )
            for pose in kind.poses
        ]
        need = max(need, min(min(girth) for girth in girths))
        product = max(product, min(width * length for width, length in girths))
    boxes = [kind for kind in kinds if kind.shape in _BOXES and kind.nest_step_mm is None]
    if len(boxes) > 1:
        boxes.sort(key=lambda kind: -kind.volume_mm3)
        pair = _floor_of_two(boxes[0], boxes[1])
        need, product = max(need, pair.need), max(product, pair.product)
    return Floor(need, max(product, cbrt(volume / _MOST_PER_CUBE) ** 2))


def most_volume(width: float, length: float, thickness: float) -> float:
    """No goods as thin as this in a bag of this usable size have more volume than this, mm3."""
    s = sqrt(max(0.0, width) * max(0.0, length))
    c = min(thickness, _FULLEST_AT * s)
    return sqrt(s * s - c * c) * c * (s - pi * c / 4)


def _floor_of_two(first: Kind, second: Kind) -> Floor:
    """The least needs of two boxes among others, each lifted to where its hull is least."""
    over = first.bears(second) or second.bears(first)
    compiled = core.floor_of_two(first, second, over=over)
    if compiled is not None:
        return Floor(*compiled)
    needs = [
        need
        for one, two in product_of(first.poses, second.poses)
        for need in _needs_of_two(one, two, over=over)
    ]
    return Floor(min(min(need) for need in needs), min(a * b for a, b in needs))


def _needs_of_two(one: Pose, two: Pose, *, over: bool) -> Iterator[tuple[float, float]]:
    a1, b1, c1, c2 = one.along, one.across, one.up, two.up
    for a2, b2 in ((two.along, two.across), (two.across, two.along)):
        yield _beside(a1, c1, a2, c2), _behind(b1, c1, b2, c2)
        yield _behind(a1, c1, a2, c2), _beside(b1, c1, b2, c2)
    if over:
        yield stacked(a1, c1, two.along, c2), stacked(b1, c1, two.across, c2)


def _beside(p1: float, c1: float, p2: float, c2: float) -> float:
    """Half girth round two rectangles side by side, the lower one at half the difference."""
    tall, low = (p1, p2) if c1 >= c2 else (p2, p1)
    return tall + (c1 + c2) / 2 + slant(low, (c1 - c2) / 2)


def _behind(q1: float, c1: float, q2: float, c2: float) -> float:
    """Half girth round two rectangles with one middle, one behind the other."""
    if q1 < q2:
        q1, c1, q2, c2 = q2, c2, q1, c1
    return q1 + c1 if c2 <= c1 else q2 + c1 + slant(q1 - q2, c2 - c1)


def least_film(bag: Bag, floor: Floor, allowance: Allowance) -> float:
    """The least film, mm2, that this bag could take; endless where it can't hold the goods."""
    across, along = allowance.across, allowance.along
    match bag.form:
        case BagForm.PRE_OPENED:
            width, length = bag.width_mm - across, bag.length_mm - along
            fits = min(width, length) >= floor.need - 1e-6 and width * length >= floor.product - 1
            return film_area(bag, bag.width_mm, bag.length_mm) if fits else inf
        case BagForm.TUBING:
            width = bag.lay_flat_width_mm - across
            if width < floor.need - 1e-6:
                return inf
            length = max(floor.need, floor.product / width - 1e-6) + along
            length = max(length, allowance.least_length, bag.min_length_mm)
            length = stepped(length, bag.min_length_mm, bag.length_step_mm)
            return film_area(bag, bag.lay_flat_width_mm, length)
        case BagForm.SEALED_FILM:
            least_width = max(floor.need + across, allowance.least_width, bag.min_width_mm)
            least_length = max(floor.need + along, allowance.least_length, bag.min_length_mm)
            # (W + a) (L + b) >= (sqrt(W L) + sqrt(a b))^2
            film = 2 * (sqrt(floor.product) + sqrt(across * along)) ** 2
            return max(film, film_area(bag, least_width, least_length))


def too_small(bag: Bag, floor: Floor, allowance: Allowance) -> Reason | None:
    """Why this bag can't hold the goods, however they are laid; none where it might."""
    width, length = largest(bag)
    bare = width - allowance.across
    if bare < floor.need - 1e-6:
        return too_wide(floor.need + allowance.across, width)
    least = max(floor.need, floor.product / bare) + allowance.along
    return too_long(least, length, width) if least > length + 1e-6 else None


def least_film_of_parcels(bags: Iterable[Bag], kinds: Sequence[Kind], parcels: int) -> float:
    """The least film, mm2, of these pieces in so many parcels, whatever goes where.

    One parcel holds the neediest piece, each other one at least the least; and since
    V^(2/3) grows ever more slowly, parting the goods never lowers the film that volume asks for.
    """
    bare = [(bag, allowance_of(bag, (0.0, 0.0), (0.0, 0.0), 0.0)) for bag in bags]

    def least(floor: Floor) -> float:
        film = min((least_film(bag, floor, allowance) for bag, allowance in bare), default=inf)
        return 0.0 if film == inf else film

    alone = [least(floor_of([kind])) for kind in dict.fromkeys(kinds)]
    by_volume = 2 * cbrt(sum(kind.filled_mm3 for kind in kinds) / _MOST_PER_CUBE) ** 2
    return max(by_volume, max(alone) + (parcels - 1) * min(alone))
