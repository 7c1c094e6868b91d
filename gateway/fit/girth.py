"""What a bag needs round laid goods: half the girth of the hull in each of the two views."""

from collections.abc import Callable, Iterator, Sequence

from gateway.fit.hull import (
    Point,
    disc_half_girth,
    ellipse_corners,
    ellipse_half_girth,
    half_girth,
    rectangle_corners,
    slant,
    stadium_corners,
    stadium_half_girth,
)
from gateway.fit.layout import Laid
from gateway.fit.pieces import Section

Seen = tuple[float, float, float, float]
"""A rectangle in a view: its two ends on the floor, its bottom and its top."""
Corners = Callable[[float, float, float, float], Sequence[Point]]

_HAIR_MM = 1e-9
_CORNERS: dict[Section, Corners] = {
    Section.RECTANGLE: rectangle_corners,
    Section.DISC: ellipse_corners,
    Section.ELLIPSE: ellipse_corners,
    Section.STADIUM: stadium_corners,
}


def half_girths(laid: Sequence[Laid]) -> tuple[float, float, tuple[float, float, float]]:
    """Needed flat width and length, mm, and the extents of the goods along, across, up."""
    ends: list[Seen] = []
    sides: list[Seen] = []
    for one in laid:
        if one.block.pieces == 1:
            dx, dy, dz = one.block.size
            top = one.z + dz
            ends.append((one.y, one.y + dy, one.z, top))
            sides.append((one.x, one.x + dx, one.z, top))
            continue
        for x, y, z, dx, dy, dz in one.block.bulk():
            bottom = one.z + z
            ends.append((one.y + y, one.y + y + dy, bottom, bottom + dz))
            sides.append((one.x + x, one.x + x + dx, bottom, bottom + dz))
    along = max([seen[1] for seen in sides]) - min([seen[0] for seen in sides])
    across = max([seen[1] for seen in ends]) - min([seen[0] for seen in ends])
    up = max([seen[3] for seen in sides])
    if len(laid) == 1 and laid[0].block.pieces == 1:
        pose = laid[0].block.pose
        width, length = (
            section_half_girth(pose.end, across, up),
            section_half_girth(pose.side, along, up),
        )
    else:
        width = _half_girth(laid, ends, end=True)
        length = _half_girth(laid, sides, end=False)
    return width, length, (along, across, up)


def section_half_girth(section: Section, flat: float, up: float) -> float:
    """Half girth, mm, of one piece's section."""
    match section:
        case Section.DISC:
            return disc_half_girth(max(flat, up))
        case Section.STADIUM:
            return stadium_half_girth(flat, up)
        case Section.ELLIPSE:
            return ellipse_half_girth(flat, up)
        case Section.RECTANGLE:
            return flat + up


def _half_girth(laid: Sequence[Laid], seen: Sequence[Seen], *, end: bool) -> float:
    for one in laid:
        pose = one.block.pose
        if (pose.end if end else pose.side) is not Section.RECTANGLE:
            return half_girth(_outline(laid, end=end))
    return rectangles_half_girth(seen)


def _outline(laid: Sequence[Laid], *, end: bool) -> Iterator[Point]:
    """Points whose hull is the film: a round piece at each corner of each solid."""
    for one in laid:
        pose = one.block.pose
        section = pose.end if end else pose.side
        flat = pose.across if end else pose.along
        start = one.y if end else one.x
        for x, y, z, dx, dy, dz in one.block.bulk():
            low, high = start + (y if end else x), start + (y + dy if end else x + dx) - flat
            for at in {low, high}:
                for up in {one.z + z, one.z + z + dz - pose.up}:
                    yield from _CORNERS[section](at, up, flat, pose.up)


def rectangles_half_girth(seen: Sequence[Seen]) -> float:
    """Half the perimeter of the hull of upright rectangles."""
    if len(seen) == 1:
        start, end, bottom, top = seen[0]
        return end - start + top - bottom
    right: dict[float, float] = {}
    left: dict[float, float] = {}
    middle = seen[0][0] + seen[0][1]
    even = True
    for start, end, bottom, top in seen:
        for level in (bottom, top):
            if level not in right:
                right[level], left[level] = end, start
            else:
                right[level] = max(right[level], end)
                left[level] = min(left[level], start)
        even = even and abs(start + end - middle) < _HAIR_MM
    levels = sorted(right)
    floor, roof = levels[0], levels[-1]
    edges = right[floor] - left[floor] + right[roof] - left[roof]
    outer = _chain_length([(level, right[level]) for level in levels])
    inner = outer if even else _chain_length([(level, -left[level]) for level in levels])
    return (edges + outer + inner) / 2


def _chain_length(points: list[Point]) -> float:
    """Length of the outer chain over points that rise in their first coordinate."""
    if len(points) == 2:
        (z0, y0), (z1, y1) = points
        return slant(z1 - z0, y1 - y0)
    chain: list[Point] = []
    for z, y in points:
        while len(chain) > 1:
            (z0, y0), (z1, y1) = chain[-2], chain[-1]
            if (y1 - y0) * (z - z0) > (y - y0) * (z1 - z0):
                break
            chain.pop()
        chain.append((z, y))
    length = 0.0
    z0, y0 = chain[0]
    for z, y in chain:
        length += slant(z - z0, y - y0)
        z0, y0 = z, y
    return length
