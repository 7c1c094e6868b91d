"""More than one parcel: when one bag can't be, the fewest parcels, then the least film."""

from collections.abc import Sequence
from itertools import combinations

from gateway.fit.conditions import holds_for_item, holds_for_order
from gateway.fit.parcel import Case, Packed, ask_station
from gateway.fit.pieces import Kind, Member
from schemas.decision import TurnedDown
from schemas.rules import Aim
from schemas.station import Station

_FEW = 6
"""Pieces up to which every parting is looked at."""


def must_part(case: Case, members: Sequence[Member]) -> bool:
    """Whether some pieces must be kept apart."""
    return len(_apart(case, members)) > 1


def _apart(case: Case, members: Sequence[Member]) -> list[list[Member]]:
    """Pieces in as few sets as keep-apart groups and rules allow, one after the other."""
    sets: list[list[Member]] = []
    for member in members:
        for together in sets:
            if not any(_quarrel(case, member, other) for other in together):
                together.append(member)
                break
        else:
            sets.append([member])
    return sets


def _quarrel(case: Case, one: Member, two: Member) -> bool:
    groups = one.item.handling.keep_apart, two.item.handling.keep_apart
    if groups[0] and groups[1] and groups[0] != groups[1]:
        return True
    return any(
        holds_for_order(rule.when.order, case.order)
        and any(
            holds_for_item(rule.when.item, a.item)
            and b.item.goods_class in rule.effect.keep_apart_from
            for a, b in ((one, two), (two, one))
        )
        for rule in case.room.rules
        if rule.effect.keep_apart_from
    )


def parted(
    case: Case, members: Sequence[Member], station: Station, label: tuple[float, float]
) -> list[Packed] | None:
    """Parcels at one station that hold every piece once: the fewest, then the least film.

    Every way of parting is looked at for few pieces; more are dealt out evenly. None where some
    piece fits no bag, or the site allows no more parcels.
    """
    asking = _Asking(case, station, label)
    kinds = {(id(member.item), member.kind): member for member in members}
    if any(asking.whole([member]) is None for member in kinds.values()):
        return None
    if len(members) <= _FEW:
        return _fewest(asking, tuple(members))
    parcels: list[Packed] = []
    for together in _apart(case, members):
        dealt = _dealt(asking, together, case.room.packing.max_parcels - len(parcels))
        if dealt is None:
            return None
        parcels += dealt
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
        if any(_quarrel(asking.case, a, b) for a, b in combinations(chosen, 2)):
            return None
        return asking.whole(chosen)

    parcels = part(tuple(range(len(members))))
    within = parcels is not None and len(parcels) <= asking.case.room.packing.max_parcels
    return parcels if within else None


def _rank(parcels: Sequence[Packed], aim: Aim) -> tuple[float, ...]:
    columns = zip(*(packed.rank(aim) for packed in parcels), strict=True)
    return (len(parcels), *(sum(column) for column in columns))


def _dealt(asking: _Asking, members: Sequence[Member], most: int) -> list[Packed] | None:
    """Parcels for many pieces, dealt evenly into so few hands that one fewer does not do."""
    parcels = _hands(asking, members, most) if most > 0 else None
    too_few, enough = 0, most
    while parcels is not None and enough - too_few > 1:
        count = (too_few + enough) // 2
        fewer = _hands(asking, members, count)
        if fewer is None:
            too_few = count
        else:
            enough, parcels = count, fewer
    return parcels


def _hands(asking: _Asking, members: Sequence[Member], count: int) -> list[Packed] | None:
    """Each piece, the largest first, to the emptiest hand; none where some hand fits no bag."""
    hands: list[list[Member]] = [[] for _ in range(min(count, len(members)))]
    filled = [0.0] * len(hands)
    burden = _burdens(members)
    for member in sorted(members, key=lambda member: -burden[member.kind]):
        emptiest = min(range(len(hands)), key=filled.__getitem__)
        hands[emptiest].append(member)
        filled[emptiest] += burden[member.kind]
    parcels = []
    for hand in hands:
        packed = asking.whole(hand)
        if packed is None:
            return None
        parcels.append(packed)
    return parcels


def _burdens(members: Sequence[Member]) -> dict[Kind, float]:
    """How much of the order's volume and mass a piece of each kind is."""
    volume = sum(member.kind.volume_mm3 for member in members)
    mass = sum(member.kind.mass_g or 0.0 for member in members) or 1.0
    return {
        member.kind: member.kind.volume_mm3 / volume + (member.kind.mass_g or 0.0) / mass
        for member in members
    }
