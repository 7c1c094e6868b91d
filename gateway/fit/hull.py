"""Film round goods is a rubber band: half the perimeter of the convex hull of a view."""

from collections.abc import Iterable
from math import cos, pi, sin, sqrt, tan

Point = tuple[float, float]

_SIDES = 48
"""Corners of the polygon drawn round a circle: its perimeter is 0.14 % long, never short."""


def unit_polygon() -> tuple[Point, ...]:
    """Corners of the polygon that is drawn round a circle of radius 1."""
    reach = 1 / cos(pi / _SIDES)
    angles = [2 * pi * (k + 0.5) / _SIDES for k in range(_SIDES)]
    return tuple((reach * cos(angle), reach * sin(angle)) for angle in angles)


_ROUND = unit_polygon()


def disc_half_girth(diameter_mm: float) -> float:
    """Flat width, mm, that a tube needs to go round a circle: half its circumference."""
    return pi * diameter_mm / 2


def stadium_half_girth(width_mm: float, thickness_mm: float) -> float:
    """Flat width, mm, round a section with flat faces and half-round edges."""
    thin, wide = sorted((width_mm, thickness_mm))
    return wide - thin + pi * thin / 2


def ellipse_half_girth(width_mm: float, thickness_mm: float) -> float:
    """Flat width, mm, round an ellipse with these full axes.

    Source: S. Ramanujan, Modular equations and approximations to pi (1914), second formula.
    """
    a, b = width_mm / 2, thickness_mm / 2
    k = ((a - b) / (a + b)) ** 2
    return pi * (a + b) * (1 + 3 * k / (10 + sqrt(4 - 3 * k))) / 2


def slant(flat: float, rise: float) -> float:
    """Length of a slope, as a plain root: every processor and every language rounds it alike."""
    return sqrt(flat * flat + rise * rise)


def rectangle_corners(y: float, z: float, dy: float, dz: float) -> tuple[Point, ...]:
    """Corners of a rectangle with its lower left corner at (y, z)."""
    return (y, z), (y + dy, z), (y, z + dz), (y + dy, z + dz)


def ellipse_corners(y: float, z: float, dy: float, dz: float) -> tuple[Point, ...]:
    """Corners of a polygon round the ellipse that fills the rectangle; it lies wholly outside."""
    a, b = dy / 2, dz / 2
    return tuple((y + a + a * u, z + b + b * v) for u, v in _ROUND)


def stadium_corners(y: float, z: float, dy: float, dz: float) -> tuple[Point, ...]:
    """Corners of a polygon round the stadium that fills the rectangle."""
    r = min(dy, dz) / 2
    right, top = y + dy - r, z + dz - r
    return tuple(
        ((right if u > 0 else y + r) + r * u, (top if v > 0 else z + r) + r * v) for u, v in _ROUND
    )


def half_girth(points: Iterable[Point]) -> float:
    """Half the perimeter, mm, of the convex hull of the points."""
    ring = convex_hull(points)
    previous = ring[-1]
    around = 0.0
    for point in ring:
        around += slant(point[0] - previous[0], point[1] - previous[1])
        previous = point
    return around / 2


def convex_hull(points: Iterable[Point]) -> list[Point]:
    """Corners of the convex hull, counter-clockwise.

    Source: A. M. Andrew, Another efficient algorithm for convex hulls in two dimensions (1979),
    from memory.
    """
    ordered = sorted(set(points))
    if len(ordered) < 3:
        return ordered
    lower = _chain(ordered)
    ordered.reverse()
    return lower[:-1] + _chain(ordered)[:-1]


def _chain(ordered: list[Point]) -> list[Point]:
    chain: list[Point] = []
    for point in ordered:
        while len(chain) > 1:
            (ax, ay), (bx, by) = chain[-2], chain[-1]
            if (bx - ax) * (point[1] - ay) > (by - ay) * (point[0] - ax):
                break
            chain.pop()
        chain.append(point)
    return chain


def rounding_excess() -> float:
    """How much longer than the circle its polygon is, as a share."""
    return tan(pi / _SIDES) * _SIDES / pi - 1
