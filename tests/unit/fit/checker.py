"""An independent look at an answer: everything is worked out again from the layout alone."""

from collections import Counter
from itertools import combinations, permutations
from math import cos, hypot, pi, sin

from schemas.decision import Decision, Parcel, Piece
from schemas.goods import Item, Shape, Turn
from schemas.order import Order
from schemas.site import Site
from schemas.supply import BagForm

_HAIR = 1e-6
Point = tuple[float, float]


def faults(decision: Decision, order: Order, site: Site) -> list[str]:
    """Everything that is wrong with the answer."""
    found = []
    wanted = Counter((line.line_id, n + 1) for line in order.lines for n in range(line.quantity))
    packed = Counter(
        (piece.line_id, piece.piece) for parcel in decision.parcels for piece in parcel.pieces
    )
    if decision.parcels and wanted != packed:
        found.append(f"pieces differ: {wanted - packed} missing, {packed - wanted} too many")
    for parcel in decision.parcels:
        found += _layout_faults(parcel, order)
        found += _bag_faults(parcel, site)
    film = sum(parcel.film_area_mm2 for parcel in decision.parcels)
    if decision.parcels and decision.lower_bound_film_area_mm2 > film * (1 + 1e-9):
        found.append("the lower bound is above the film")
    return found


def _layout_faults(parcel: Parcel, order: Order) -> list[str]:
    found = []
    items = {line.line_id: line.item for line in order.lines}
    for piece in parcel.pieces:
        if not _is_the_item(piece, items[piece.line_id]):
            found.append(f"{piece.line_id} has sides that it may not have: {piece}")
        if min(piece.x_mm, piece.y_mm, piece.z_mm) < -_HAIR:
            found.append(f"{piece.line_id} lies outside the goods")
        ends = (
            piece.x_mm + piece.dx_mm,
            piece.y_mm + piece.dy_mm,
            piece.z_mm + piece.dz_mm,
        )
        if any(e > s + _HAIR for e, s in zip(ends, parcel.goods_size_mm, strict=True)):
            found.append(f"{piece.line_id} sticks out of the goods")
    for one, two in combinations(parcel.pieces, 2):
        if _overlap(one, two):
            found.append(f"{one} overlaps {two}")
    found += _burdens(parcel, items)
    found += _floating(parcel)
    needs = girth(parcel, items, across=True), girth(parcel, items, across=False)
    return found + _need_faults(parcel, needs)


def _need_faults(parcel: Parcel, bare: tuple[float, float]) -> list[str]:
    """Needs hold the bare girth; margins are what is left of the bag."""
    found = []
    for name, need, girth_, size, margin in (
        ("width", parcel.needed_width_mm, bare[0], parcel.bag.width_mm, parcel.margin_width_mm),
        ("length", parcel.needed_length_mm, bare[1], parcel.bag.length_mm, parcel.margin_length_mm),
    ):
        if need < girth_ - 1e-3:
            found.append(f"needed {name} {need} is below the hull's {girth_}")
        if need > size + _HAIR:
            found.append(f"needed {name} {need} is above the bag's {size}")
        if abs(size - need - margin) > 1e-3:
            found.append(f"margin of {name} is wrong")
    return found


def _bag_faults(parcel: Parcel, site: Site) -> list[str]:
    bag = next(bag for bag in site.bag if bag.id == parcel.bag.id)
    film = next(film for film in site.film if film.id == bag.film)
    lip = bag.lip_mm if bag.form is BagForm.PRE_OPENED else 0
    area = 2 * parcel.bag.width_mm * parcel.bag.length_mm + lip * parcel.bag.width_mm
    found = []
    if abs(area - parcel.film_area_mm2) > 1:
        found.append(f"film area {parcel.film_area_mm2}, worked out {area}")
    mass = area / 1e6 * film.thickness_um * film.density_g_cm3
    if abs(mass - parcel.film_mass_g) > 1e-3:
        found.append(f"film mass {parcel.film_mass_g}, worked out {mass}")
    return found


def _is_the_item(piece: Piece, item: Item) -> bool:
    """Whether the sides are the article's in some turn that its handling allows."""
    assert item.size is not None
    got = piece.dx_mm, piece.dy_mm, piece.dz_mm
    for size in (item.size, *item.folded_states):
        length, width, height = (side + item.size_tolerance_mm for side in size.in_mm())
        height *= item.compresses_to
        sides = (length, width, height)
        for turn in permutations(range(3)):
            turned = [sides[axis] for axis in turn]
            if any(abs(a - b) > _HAIR for a, b in zip(turned, got, strict=True)):
                continue
            upright = item.handling.turn in {Turn.FLAT_ONLY, Turn.THIS_SIDE_UP}
            flat = item.handling.turn is Turn.NEVER_ON_EDGE or item.shape is Shape.FLAT
            if upright and turned[2] != height:
                continue
            if flat and not upright and turned[2] > min(sides):
                continue
            return True
    return False


def _overlap(one: Piece, two: Piece) -> bool:
    return all(
        a < b + db - _HAIR and b < a + da - _HAIR
        for a, da, b, db in (
            (one.x_mm, one.dx_mm, two.x_mm, two.dx_mm),
            (one.y_mm, one.dy_mm, two.y_mm, two.dy_mm),
            (one.z_mm, one.dz_mm, two.z_mm, two.dz_mm),
        )
    )


def _burdens(parcel: Parcel, items: dict[str, Item]) -> list[str]:
    """Nothing that lies straight above a fragile piece is heavier than it."""
    found = []
    for low in parcel.pieces:
        if not items[low.line_id].handling.fragile:
            continue
        mass = items[low.line_id].mass_g or 0
        for high in parcel.pieces:
            above = (
                high.z_mm >= low.z_mm + low.dz_mm - _HAIR
                and high.x_mm < low.x_mm + low.dx_mm - _HAIR
                and low.x_mm < high.x_mm + high.dx_mm - _HAIR
                and high.y_mm < low.y_mm + low.dy_mm - _HAIR
                and low.y_mm < high.y_mm + high.dy_mm - _HAIR
            )
            if above and (items[high.line_id].mass_g or mass + 1) > mass:
                found.append(f"{high.line_id} lies on fragile {low.line_id}")
    return found


def _floating(parcel: Parcel) -> list[str]:
    """In small parcels each piece rests on the floor or on another piece."""
    if len(parcel.pieces) > 6:
        return []
    return [
        f"{piece.line_id} rests on nothing"
        for piece in parcel.pieces
        if piece.z_mm > _HAIR
        and not any(
            abs(low.z_mm + low.dz_mm - piece.z_mm) < _HAIR and _over(piece, low)
            for low in parcel.pieces
        )
    ]


def _over(high: Piece, low: Piece) -> bool:
    return (
        high.x_mm < low.x_mm + low.dx_mm
        and low.x_mm < high.x_mm + high.dx_mm
        and high.y_mm < low.y_mm + low.dy_mm
        and low.y_mm < high.y_mm + high.dy_mm
    )


def girth(parcel: Parcel, items: dict[str, Item], *, across: bool) -> float:
    """Half the perimeter of the hull of a view by gift wrapping; round goods as inner polygons."""
    points: list[Point] = []
    for piece in parcel.pieces:
        flat, size = (piece.y_mm, piece.dy_mm) if across else (piece.x_mm, piece.dx_mm)
        points += _outline(piece, items[piece.line_id], flat, size, across=across)
    ring = _wrapped(points)
    around = sum(
        hypot(a[0] - b[0], a[1] - b[1]) for a, b in zip(ring, ring[1:] + ring[:1], strict=True)
    )
    return around / 2


def _outline(piece: Piece, item: Item, flat: float, size: float, *, across: bool) -> list[Point]:
    z, up = piece.z_mm, piece.dz_mm
    seen_from_its_end = False
    if item.shape is Shape.CYLINDER and item.size is not None:
        length, diameter, _ = (side + item.size_tolerance_mm for side in item.size.in_mm())
        looked_along = piece.dx_mm if across else piece.dy_mm
        others = sorted((size, up))
        seen_from_its_end = abs(looked_along - length) < _HAIR and (
            abs(others[0] - diameter) < _HAIR and abs(others[1] - diameter) < _HAIR
        )
    if seen_from_its_end:
        r = size / 2
        return [
            (flat + r + r * cos(2 * pi * k / 360), z + r + r * sin(2 * pi * k / 360))
            for k in range(360)
        ]
    if item.shape is Shape.SOFT:
        # the least that a soft piece can be: its outline's middles
        return [
            (flat, z + up / 2),
            (flat + size, z + up / 2),
            (flat + size / 2, z),
            (flat + size / 2, z + up),
        ]
    return [(flat, z), (flat + size, z), (flat, z + up), (flat + size, z + up)]


def _wrapped(points: list[Point]) -> list[Point]:
    """The hull by gift wrapping, another way than the fit's own."""
    start = min(points)
    ring = [start]
    while True:
        here = ring[-1]
        best = points[0] if points[0] != here else points[-1]
        for point in points:
            turn = (best[0] - here[0]) * (point[1] - here[1]) - (best[1] - here[1]) * (
                point[0] - here[0]
            )
            farther = hypot(point[0] - here[0], point[1] - here[1]) > hypot(
                best[0] - here[0], best[1] - here[1]
            )
            if turn < -1e-9 or (abs(turn) <= 1e-9 and farther):
                best = point
        if best == start or len(ring) > len(points):
            return ring
        ring.append(best)
