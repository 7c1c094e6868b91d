"""The exact search for few pieces by its compiled core, where one was built for this machine.

`c/front.c` does what `stackings.py`, `layout.py`, `girth.py` and `parts.py` do, step by step, and
gives the same answer to the last bit; without it these do the work. `hatch_build.py` compiles it.
It is found by the digest of its source, so that a library of an older source is never taken.
"""

import ctypes
from array import array
from collections.abc import Callable, Sequence
from functools import partial
from hashlib import sha256
from itertools import chain
from pathlib import Path
from typing import cast

from gateway.fit.arrangement import Arrangement
from gateway.fit.blocks import Block
from gateway.fit.hull import unit_polygon
from gateway.fit.layout import Laid, crossed
from gateway.fit.pieces import Section
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
_Solve = Callable[..., int]


def library() -> Path:
    """Where the compiled core of this source lies, or would lie."""
    digest = sha256(b"".join(one.read_bytes() for one in sorted(SOURCES.glob("*.[ch]"))))
    return SOURCES / f"core_{digest.hexdigest()[:16]}.so"


def _loaded() -> _Solve | None:
    try:
        solve = ctypes.CDLL(str(library())).bagrelay_front
    except (OSError, AttributeError):
        return None
    solve.argtypes = [ctypes.c_void_p] * 4 + [ctypes.c_int]
    solve.restype = ctypes.c_int
    return cast("_Solve", solve)


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
        count = SOLVE(*addresses, room)
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


def _lying(blocks: Sequence[Block], laid: "array[float]", start: int, count: int) -> list[Laid]:
    rows = (laid[5 * row : 5 * row + 5] for row in range(start, start + count))
    return [
        Laid(crossed(blocks[int(number)]) if turned else blocks[int(number)], x, y, z)
        for number, turned, x, y, z in rows
    ]
