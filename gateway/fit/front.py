"""The front of an order: the undominated (width, length) pairs that hold it, with layouts."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from math import inf, prod

from gateway.fit import core
from gateway.fit.arrangement import Arrangement
from gateway.fit.blocks import blocks_of
from gateway.fit.clusters import merged
from gateway.fit.girth import half_girths
from gateway.fit.layout import Laid, lay
from gateway.fit.one_or_two import of_one, of_two
from gateway.fit.parts import cut, undominated
from gateway.fit.pieces import Kind
from gateway.fit.stackings import Stackings, Unit
from schemas.goods import Shape

_MOST_SPLITS = 3**6
"""Ways to part a sub-order in two, up to which every stacking is looked at: as many as six
different pieces have."""
_MOST_BLOCKS = 6
"""Grids of a block that are tried, and half as many slim ones."""
_BOXES = {Shape.BOX, Shape.FLAT}


@dataclass(frozen=True, slots=True)
class Front:
    """The undominated arrangements of some pieces, by rising width and falling length."""

    kinds: tuple[Kind, ...]
    """What the numbers in the arrangements' blocks stand for."""
    arrangements: tuple[Arrangement, ...]
    """Empty where no arrangement is thin enough."""
    proved: bool = False
    """No arrangement at all needs less: one piece, or two boxes."""


@dataclass(frozen=True, slots=True)
class Patience:
    """How hard a search tries where not every stacking can be looked at."""

    parts: tuple[int, ...]
    """Into how many blocks like pieces are dealt, one try after the other."""
    flatness: tuple[float, ...]
    """Tempers in which groups are merged."""
    kept: int
    at_last: int


THOROUGH = Patience(parts=(1, 4), flatness=(0.0, 0.15, 0.5), kept=8, at_last=8)
FAIR = Patience(parts=(1,), flatness=THOROUGH.flatness, kept=8, at_last=8)
BRIEF = Patience(parts=(1,), flatness=(0.15,), kept=8, at_last=8)
QUICK = Patience(parts=(1,), flatness=(0.15,), kept=4, at_last=5)
"""About a sixth of the time for about one percent more film."""


def effort(kinds: tuple[tuple[Kind, int], ...], patience: Patience) -> float:
    """What a search costs, in units merged; one takes about a millisecond. It depends on nothing
    but the goods, so that a limit on it gives the same answer on every machine."""
    if _proved(kinds):
        return 0.0
    if _every_stacking(kinds):
        return (_splits(kinds) / 140) ** 2
    units = {sum(min(parts, count) for _, count in kinds) for parts in patience.parts}
    return len(patience.flatness) * patience.kept / 8 * sum(each + 10.0 for each in units)


def counted(kinds: Sequence[Kind]) -> tuple[tuple[Kind, int], ...]:
    """Kinds with their numbers, in an order that depends on nothing but themselves."""
    return tuple(sorted(Counter(kinds).items(), key=_by_volume))


def front_of(kinds: Sequence[Kind], max_up: float = inf) -> Front:
    """The front of these pieces with goods no thicker than `max_up` mm."""
    return front_of_counted(counted(kinds), max_up)


def _by_volume(pair: tuple[Kind, int]) -> tuple[float, tuple[object, ...]]:
    return -pair[0].volume_mm3, pair[0].key


def front_of_counted(
    kinds: tuple[tuple[Kind, int], ...], max_up: float, patience: Patience = THOROUGH
) -> Front:
    """The front of so many pieces of each kind; found once for each content.

    Fronts of large orders hold many layouts and seldom come again, so that fewer are kept.
    """
    pieces = sum(count for _, count in kinds)
    if pieces <= _SMALL:
        return small_fronts(kinds, max_up, THOROUGH)
    return large_fronts(kinds, max_up, patience)


def _found(kinds: tuple[tuple[Kind, int], ...], max_up: float, patience: Patience) -> Front:
    each = tuple(kind for kind, _ in kinds)
    proved = _proved(kinds)
    if not proved and _every_stacking(kinds):
        return Front(each, tuple(_exact(kinds, max_up)))
    return Front(each, tuple(undominated(list(_arrangements(kinds, max_up, patience)))), proved)


def _exact(kinds: tuple[tuple[Kind, int], ...], max_up: float) -> list[Arrangement]:
    """Of every stacking, and no less than any part of the goods needs."""
    units = [_unit(number, kind, 1, count) for number, (kind, count) in enumerate(kinds)]
    found = core.front(units, [_is_box(kind) for kind, _ in kinds], max_up)
    if found is not None:
        return found
    stackings = Stackings(units, max_up)
    own = undominated([_measured(stackings, number) for number in stackings.solve()])
    parts = [
        small_fronts(part, max_up, THOROUGH).arrangements
        for part in _without_one(kinds)
        if not _proved(part)
    ]
    return cut(own, parts) if parts else own


def _without_one(
    kinds: tuple[tuple[Kind, int], ...],
) -> Iterator[tuple[tuple[Kind, int], ...]]:
    for number, (kind, count) in enumerate(kinds):
        fewer = ((kind, count - 1),) if count > 1 else ()
        yield (*kinds[:number], *fewer, *kinds[number + 1 :])


_SMALL = 6
small_fronts = lru_cache(maxsize=2048)(_found)
large_fronts = lru_cache(maxsize=32)(_found)


def forget() -> None:
    """Empty the caches, as a measurement needs it."""
    small_fronts.cache_clear()
    large_fronts.cache_clear()


def _arrangements(
    kinds: tuple[tuple[Kind, int], ...], max_up: float, patience: Patience
) -> Iterator[Arrangement]:
    if _proved(kinds):
        each = [kind for kind, count in kinds for _ in range(count)]
        yield from of_one(each[0], max_up) if len(each) == 1 else of_two(each[0], each[1], max_up)
        return
    for stackings, numbers in _searches(kinds, max_up, patience):
        for number in numbers:
            yield _measured(stackings, number)


def _proved(kinds: tuple[tuple[Kind, int], ...]) -> bool:
    pieces = sum(count for _, count in kinds)
    return pieces == 1 or (pieces == 2 and all(_is_box(kind) for kind, _ in kinds))


def _is_box(kind: Kind) -> bool:
    return kind.shape in _BOXES and not kind.nest_step_mm


def _searches(
    kinds: tuple[tuple[Kind, int], ...], max_up: float, patience: Patience
) -> Iterator[tuple[Stackings, range]]:
    """Like pieces in whole blocks and in parts of blocks, merged in several tempers."""
    seen: list[list[Unit]] = []
    for parts in patience.parts:
        units = [
            _unit(number, kind, portion)
            for number, (kind, count) in enumerate(kinds)
            for portion in _portions(count, parts)
        ]
        if units in seen:
            continue
        seen.append(units)
        for flatness in patience.flatness:
            stackings = Stackings(units, max_up)
            yield (
                stackings,
                merged(stackings, stackings.alone, flatness, patience.kept, patience.at_last),
            )


def _every_stacking(kinds: tuple[tuple[Kind, int], ...]) -> bool:
    nested = any(kind.nest_step_mm for kind, _ in kinds)
    return not nested and _splits(kinds) <= _MOST_SPLITS


def _splits(kinds: tuple[tuple[Kind, int], ...]) -> int:
    return prod((count + 1) * (count + 2) // 2 for _, count in kinds)


def _unit(number: int, kind: Kind, pieces: int, count: int = 1) -> Unit:
    mass = None if kind.mass_g is None else kind.mass_g * pieces
    bears = inf if not kind.fragile else kind.mass_g or 0.0
    blocks = blocks_of(number, kind, pieces)
    if len(blocks) > _MOST_BLOCKS:
        blocks.sort(key=lambda b: (b.size[0] + b.size[2]) * (b.size[1] + b.size[2]))
        slim = sorted(blocks[_MOST_BLOCKS:], key=lambda b: b.size[0] + b.size[2])
        blocks = blocks[:_MOST_BLOCKS] + slim[: _MOST_BLOCKS // 2]
    return Unit(tuple(blocks), count, kind.volume_mm3 * pieces, mass, bears)


def _portions(count: int, parts: int) -> list[int]:
    """A number in so many nearly equal parts, none of them nothing."""
    parts = min(parts, count)
    return [count // parts + (part < count % parts) for part in range(parts)]


def _measured(stackings: Stackings, number: int) -> Arrangement:
    laid = lay(stackings, number)
    width, length, size = half_girths(laid)
    return Arrangement(width, length, size, partial(_as_it_lies, laid))


def _as_it_lies(laid: Sequence[Laid]) -> Sequence[Laid]:
    return laid
