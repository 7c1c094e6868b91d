"""The front of an order: the undominated (width, length) pairs that hold it, with layouts."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import inf, prod

from gateway.fit.blocks import Block, blocks_of
from gateway.fit.hull import (
    Point,
    disc_half_girth,
    ellipse_corners,
    ellipse_half_girth,
    half_girth,
    rectangle_corners,
    stadium_corners,
    stadium_half_girth,
)
from gateway.fit.pieces import Kind, Section
from gateway.fit.stackings import Laid, Stackings, Unit, extent

_MOST_STATES = 64


@dataclass(frozen=True, slots=True)
class Arrangement:
    """A way to lay the goods and the bare need of it, mm, before ease and seals."""

    width: float
    length: float
    size: tuple[float, float, float]
    laid: tuple[Laid, ...]


@dataclass(frozen=True, slots=True)
class Front:
    """The undominated arrangements of some pieces, by rising width and falling length."""

    kinds: tuple[Kind, ...]
    """What the numbers in the arrangements' blocks stand for."""
    arrangements: tuple[Arrangement, ...]
    """Empty where no arrangement is thin enough."""


def front_of(kinds: Sequence[Kind], max_up: float = inf) -> Front:
    """The front of these pieces with goods no thicker than `max_up` mm."""
    counted = Counter(kinds)
    return _front(tuple(sorted(counted.items(), key=_by_volume)), max_up)


def _by_volume(counted: tuple[Kind, int]) -> tuple[float, float, str]:
    kind, count = counted
    return -kind.volume_mm3 * count, -kind.volume_mm3, repr(kind)


@lru_cache(maxsize=4096)
def _front(counted: tuple[tuple[Kind, int], ...], max_up: float) -> Front:
    units = _units(counted)
    stackings = Stackings(units, max_up)
    exact = prod(unit.count + 1 for unit in units) <= _MOST_STATES
    numbers = stackings.solve(None if exact else 12)
    found: list[Arrangement] = []
    for number in numbers.tolist():
        laid = stackings.lay(number)
        found.append(_measured(laid))
        found.append(_measured([Laid(p.block.turned(), p.y, p.x, p.z) for p in laid]))
    found.sort(key=lambda a: (a.width, a.length))
    front: list[Arrangement] = []
    for one in found:
        if not front or one.length < front[-1].length - 1e-9:
            front.append(one)
    return Front(tuple(kind for kind, _ in counted), tuple(front))


def _units(counted: tuple[tuple[Kind, int], ...]) -> list[Unit]:
    pieces = sum(n for _, n in counted)
    nested = any(kind.nest_step_mm for kind, _ in counted)
    apart = pieces <= 6 and not nested
    units = []
    for number, (kind, count) in enumerate(counted):
        bears = inf if not kind.fragile else kind.mass_g or 0.0
        each = 1 if apart else count
        mass = None if kind.mass_g is None else kind.mass_g * each
        units.append(Unit(tuple(blocks_of(number, kind, each)), count // each, mass, bears))
    return units


def _measured(laid: Sequence[Laid]) -> Arrangement:
    if len(laid) == 1 and laid[0].block.pieces == 1:
        pose = laid[0].block.pose
        width = _half_girth_of(pose.end, pose.across, pose.up)
        length = _half_girth_of(pose.side, pose.along, pose.up)
    else:
        width = half_girth(point for piece in laid for point in _corners(piece, end=True))
        length = half_girth(point for piece in laid for point in _corners(piece, end=False))
    return Arrangement(width, length, extent(laid), tuple(laid))


def _half_girth_of(section: Section, flat: float, up: float) -> float:
    match section:
        case Section.DISC:
            return disc_half_girth(max(flat, up))
        case Section.STADIUM:
            return stadium_half_girth(flat, up)
        case Section.ELLIPSE:
            return ellipse_half_girth(flat, up)
        case Section.RECTANGLE:
            return flat + up


def _corners(laid: Laid, *, end: bool) -> list[Point]:
    section = laid.block.pose.end if end else laid.block.pose.side
    at = laid.y if end else laid.x
    points: list[Point] = []
    for x, y, z, dx, dy, dz in _shown(laid.block):
        flat, flat_size = (y, dy) if end else (x, dx)
        if section is Section.RECTANGLE:
            points += rectangle_corners(at + flat, laid.z + z, flat_size, dz)
        elif section is Section.STADIUM:
            points += stadium_corners(at + flat, laid.z + z, flat_size, dz)
        else:
            points += ellipse_corners(at + flat, laid.z + z, flat_size, dz)
    return points


def _shown(block: Block) -> list[tuple[float, float, float, float, float, float]]:
    return list(block.corners())
