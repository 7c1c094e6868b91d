"""More than one parcel: when one bag can't be, the fewest parcels, then the least film."""

from collections.abc import Sequence
from functools import partial
from itertools import combinations

from gateway.fit.conditions import holds_for_item, holds_for_order
from gateway.fit.deal import Most, dealt, filled, least_parcels, most_of
from gateway.fit.front import QUICK
from gateway.fit.parcel import Case, Packed, Standing, ask_station
from gateway.fit.pieces import Member
from schemas.decision import TurnedDown
from schemas.goods import Item
from schemas.rules import Aim
from schemas.station import Station

_FEW = 6
"""Pieces up to which every parting is looked at."""


def must_part(case: Case, members: Sequence[Member]) -> bool:
    """Whether some pieces must be kept apart."""
    return len(_apart(case, members)) > 1


def sets_apart(case: Case, members: Sequence[Member]) -> int:
    """The parcels that the goods make for nothing but being kept apart."""
    return len(_apart(case, members))


def _apart(case: Case, members: Sequence[Member]) -> list[list[Member]]:
    """Pieces in as few sets as keep-apart groups and rules allow, one after the other."""
    sets: list[dict[int, list[Member]]] = []
    for alike in _by_item(members).values():
        for together in sets:
            if not any(quarrel(case, alike[0], others[0]) for others in together.values()):
                together[id(alike[0].item)] = alike
                break
        else:
            sets.append({id(alike[0].item): alike})
    return [[member for alike in together.values() for member in alike] for together in sets]


def _by_item(members: Sequence[Member]) -> dict[int, list[Member]]:
    alike: dict[int, list[Member]] = {}
    for member in members:
        alike.setdefault(id(member.item), []).append(member)
    return alike


def quarrel(case: Case, one: Member, two: Member) -> bool:
    """Whether two pieces may not share a parcel."""
    a, b = _standing(case, one.item), _standing(case, two.item)
    if a.group and b.group and a.group != b.group:
        return True
    return b.goods_class in a.shuns or a.goods_class in b.shuns


def _standing(case: Case, item: Item) -> Standing:
    if id(item) not in case.standings:
        shuns = [
            rule.effect.keep_apart_from
            for rule in case.room.rules
            if rule.effect.keep_apart_from
            and holds_for_order(rule.when.order, case.order)
            and holds_for_item(rule.when.item, item)
        ]
        standing = Standing(item.handling.keep_apart, item.goods_class, frozenset().union(*shuns))
        case.standings[id(item)] = standing
    return case.standings[id(item)]


def parted(
    case: Case, members: Sequence[Member], station: Station, label: tuple[float, float]
) -> list[Packed] | None:
    """Parcels at one station that hold every piece once: the fewest, then the least film.

    Every way of parting is looked at for few pieces; more are dealt out and filled. None where
    some piece fits no bag, or the site allows no more parcels.
    """
    asking = _Asking(case, station, label)
    kinds = {(id(member.item), member.kind): member for member in members}
    if any(asking.whole([member]) is None for member in kinds.values()):
        return None
    if len(members) <= _FEW:
        return _fewest(asking, tuple(members))
    return _many(asking, members, most_of(case, station))


def _many(asking: "_Asking", members: Sequence[Member], limits: Most) -> list[Packed] | None:
    """Dealt or filled, whichever is better; then each parcel is looked at more thoroughly."""
    case, aim = asking.case, asking.case.room.packing.aim
    if least_parcels(members, limits) > case.room.packing.max_parcels:
        return None
    even = _dealt_apart(asking, members, limits)
    most = len(even) if even else case.room.packing.max_parcels
    full = filled(asking.quick, members, limits, most, partial(quarrel, case))
    ways = [way for way in (even, full) if way]
    if not ways:
        return None
    best = min(ways, key=lambda way: _rank(way, aim))
    return [min((one, asking.thorough(one)), key=lambda p: p.rank(aim)) for one in best]


def _dealt_apart(asking: "_Asking", members: Sequence[Member], limits: Most) -> list[Packed] | None:
    parcels: list[Packed] = []
    for together in _apart(asking.case, members):
        most = asking.case.room.packing.max_parcels - len(parcels)
        found = dealt(asking.quick, together, limits, most)
        if found is None:
            return None
        parcels += found
    return parcels


def against_each(
    case: Case, members: Sequence[Member], station: Station, label: tuple[float, float]
) -> list[TurnedDown]:
    """Why the first piece that fits no bag by itself fits none; nothing where each fits one."""
    for member in {member.kind: member for member in members}.values():
        asked = ask_station(case, [member], station, label)
        if asked.packed is None:
            return list(asked.turned_down)
    return []


class _Asking:
    """Questions to one station, each asked once."""

    def __init__(self, case: Case, station: Station, label: tuple[float, float]) -> None:
        self.case = case
        self._station = station
        self._label = label
        self._answers: dict[tuple[int, ...], Packed | None] = {}

    def whole(self, members: Sequence[Member]) -> Packed | None:
        """These pieces in one bag."""
        key = tuple(id(member) for member in members)
        if key not in self._answers:
            asked = ask_station(self.case, members, self._station, self._label)
            self._answers[key] = asked.packed
        return self._answers[key]

    def quick(self, members: Sequence[Member]) -> Packed | None:
        """These pieces in one bag, without looking long."""
        key = tuple(id(member) for member in members)
        if key not in self._answers:
            asked = ask_station(self.case, members, self._station, self._label, QUICK)
            self._answers[key] = asked.packed
        return self._answers[key]

    def thorough(self, packed: Packed) -> Packed:
        """The same pieces looked at longer, where the order's share of work allows it."""
        members = packed.trial.members
        asked = ask_station(self.case, members, self._station, self._label)
        return asked.packed or packed


def _fewest(asking: _Asking, members: tuple[Member, ...]) -> list[Packed] | None:
    """Every parting: the parcel of the first piece in every way, the rest parted likewise."""
    aim = asking.case.room.packing.aim
    best: dict[tuple[int, ...], list[Packed] | None] = {(): []}

    def part(left: tuple[int, ...]) -> list[Packed] | None:
        if left in best:
            return best[left]
        found: list[Packed] | None = None
        first, others = left[0], left[1:]
        for size in range(len(others), -1, -1):
            for more in combinations(others, size):
                packed = together((first, *more))
                rest = part(tuple(n for n in others if n not in more)) if packed else None
                if packed is None or rest is None:
                    continue
                if found is None or _rank([packed, *rest], aim) < _rank(found, aim):
                    found = [packed, *rest]
        best[left] = found
        return found

    def together(numbers: tuple[int, ...]) -> Packed | None:
        chosen = [members[n] for n in numbers]
        if any(quarrel(asking.case, a, b) for a, b in combinations(chosen, 2)):
            return None
        return asking.whole(chosen)

    parcels = part(tuple(range(len(members))))
    within = parcels is not None and len(parcels) <= asking.case.room.packing.max_parcels
    return parcels if within else None


def _rank(parcels: Sequence[Packed], aim: Aim) -> tuple[float, ...]:
    columns = zip(*(packed.rank(aim) for packed in parcels), strict=True)
    return (len(parcels), *(sum(column) for column in columns))
