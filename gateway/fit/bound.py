"""A floor under the film: what no packing of some pieces can do without.

Two views of it. A bag that holds all pieces holds each of them, so it needs what the neediest
piece needs. And it holds their volume: let W and L be the half girths of the hull in the two
views, c its height, s = sqrt(W L). At height z the goods lie within x(z) y(z), so their volume is
at most sqrt(X Y) with X the integral of x(z)^2, at most extent times area of that view. A convex
figure of half girth W and height c has an extent of at most sqrt(W^2 - c^2) (the rhombus) and an
area of at most c W - pi c^2 / 4 (T. Bonnesen's inequality, from memory). With the two views
together, by the inequality of the means, V <= sqrt(s^2 - c^2) c (s - pi c / 4). The right side is
greatest at c = 0.505 s, where it is 0.26300 s^3. Own derivation.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import cbrt, sqrt

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
from gateway.fit.pieces import Kind
from schemas.decision import Reason
from schemas.supply import Bag, BagForm

_MOST_PER_CUBE = 0.263
"""Volume over s^3 that no hull exceeds, rounded up."""


@dataclass(frozen=True, slots=True)
class Floor:
    """The least bare needs of some goods, mm, and the least product of the two, mm2."""

    need: float
    product: float


def floor_of(kinds: Iterable[Kind]) -> Floor:
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
    return Floor(need, max(product, cbrt(volume / _MOST_PER_CUBE) ** 2))


def least_film(bag: Bag, floor: Floor, allowance: Allowance) -> float | None:
    """The least film, mm2, that this bag could take; none where it can't hold the goods."""
    across, along = allowance.across, allowance.along
    match bag.form:
        case BagForm.PRE_OPENED:
            width, length = bag.width_mm - across, bag.length_mm - along
            fits = min(width, length) >= floor.need - 1e-6 and width * length >= floor.product - 1
            return film_area(bag, bag.width_mm, bag.length_mm) if fits else None
        case BagForm.TUBING:
            width = bag.lay_flat_width_mm - across
            if width < floor.need - 1e-6:
                return None
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
        films = [least_film(bag, floor, allowance) for bag, allowance in bare]
        return min((film for film in films if film is not None), default=0.0)

    alone = [least(floor_of([kind])) for kind in dict.fromkeys(kinds)]
    by_volume = 2 * cbrt(sum(kind.filled_mm3 for kind in kinds) / _MOST_PER_CUBE) ** 2
    return max(by_volume, max(alone) + (parcels - 1) * min(alone))
