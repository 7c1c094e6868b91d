"""The exact search for few pieces by its compiled core, where one was built for this machine.

`c/front.c` does what `stackings.py`, `layout.py`, `girth.py` and `parts.py` do, step by step, and
gives the same answer to the last bit; without it these do the work. `.ci/hatch_build.py` compiles
it. It is found by the digest of its source, so that a library of an older source is never taken.
"""

import ctypes
from array import array
from collections.abc import Callable, Sequence
from functools import partial
from hashlib import sha256
from itertools import chain
from pathlib import Path

from gateway.fit.arrangement import Arrangement
from gateway.fit.blocks import Block
from gateway.fit.hull import unit_polygon
from gateway.fit.layout import Laid, crossed
from gateway.fit.pieces import Kind, Section
from gateway.fit.stackings import Unit

SOURCES = Path(__file__).with_name("c")
_SECTIONS = {
    Section.RECTANGLE: 0.0,
    Section.DISC: 1.0,
    Section.ELLIPSE: 1.0,
    Section.STADIUM: 2.0,
}
_ROOM = 64
"""Points of a front that are asked for at first."""
_Function = Callable[..., int]


def library() -> Path:
    """Where the compiled core of this source lies, or would lie."""
    digest = sha256(b"".join(one.read_bytes() for one in sorted(SOURCES.glob("*.[ch]"))))
    return SOURCES / f"core_{digest.hexdigest()[:16]}.so"


class Compiled:
    """The functions of the library."""

    def __init__(self, path: Path) -> None:
        """Raises OSError or AttributeError where it is not there or another."""
        loaded = ctypes.CDLL(str(path))
        self.front: _Function = loaded.bagrelay_front
        self.floor: _Function = loaded.bagrelay_floor
        loaded.bagrelay_front.argtypes = [ctypes.c_void_p] * 4 + [ctypes.c_int]
        loaded.bagrelay_front.restype = ctypes.c_int
        loaded.bagrelay_floor.argtypes = [ctypes.c_void_p] * 2
        loaded.bagrelay_floor.restype = None


def _loaded() -> Compiled | None:
    try:
        return Compiled(library())
    except (OSError, AttributeError):
        return None


SOLVE = _loaded()
_CIRCLE = array("d", chain.from_iterable(unit_polygon()))


def front(units: Sequence[Unit], plain: Sequence[bool], max_up: float) -> list[Arrangement] | None:
    """The front of units of one piece each, cut by those of its parts; none where there is no
    compiled core or it can't. `plain` says which units are boxes of which two are proved."""
    if SOLVE is None:
        return None
    pieces = sum(unit.count for unit in units)
    blocks = [block for unit in units for block in unit.blocks]
    given = array("d", [pieces, len(units), max_up])
    for unit, box in zip(units, plain, strict=True):
        mass = -1.0 if unit.mass_g is None else unit.mass_g
        given.extend((unit.count, box, unit.volume, mass, unit.bears_g, len(unit.blocks)))
    for block in blocks:
        pose = block.pose
        given.extend((*block.size, _SECTIONS[pose.end], _SECTIONS[pose.side]))
    room, count = _ROOM, -2
    while count == -2:
        points, laid = array("d", bytes(56 * room)), array("d", bytes(40 * room * pieces))
        addresses = (one.buffer_info()[0] for one in (given, _CIRCLE, points, laid))
        count = SOLVE.front(*addresses, room)
        room *= 8
    if count < 0:
        return None
    return [
        Arrangement(
            points[at], points[at + 1], (points[at + 2], points[at + 3], points[at + 4]),
            partial(_lying, blocks, laid, at // 7 * pieces, pieces), points[at + 5] != 0,
        )
        for at in range(0, 7 * count, 7)
    ]  # fmt: skip


def floor_of_two(first: Kind, second: Kind, *, over: bool) -> tuple[float, float] | None:
    """Least need, mm, and least product of the needs of two boxes among others; none where there
    is no compiled core. `over` says that one may lie on the other."""
    if SOLVE is None:
        return None
    given = array("d", (len(first.poses), len(second.poses), over))
    for pose in (*first.poses, *second.poses):
        given.extend((pose.along, pose.across, pose.up))
    floor = array("d", (0.0, 0.0))
    SOLVE.floor(given.buffer_info()[0], floor.buffer_info()[0])
    return floor[0], floor[1]


def _lying(blocks: Sequence[Block], laid: "array[float]", start: int, count: int) -> list[Laid]:
    rows = (laid[5 * row : 5 * row + 5] for row in range(start, start + count))
    return [
        Laid(crossed(blocks[int(number)]) if turned else blocks[int(number)], x, y, z)
        for number, turned, x, y, z in rows
    ]
