"""Many pieces in few parcels, by trying from a lower bound on their number upwards.

Two ways, of which the better is taken. Dealt: every parcel gets an even share, which succeeds
where parcels are tight. Filled: one parcel after the other is made as full as it goes; since film
grows more slowly than what it holds, full parcels and one small one take less film than even ones.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import ceil, inf

from gateway.fit.bags import allowance_of, largest
from gateway.fit.bound import most_volume
from gateway.fit.parcel import Case, Packed
from gateway.fit.pieces import Kind, Member
from schemas.station import Station

Ask = Callable[[Sequence[Member]], Packed | None]
Quarrel = Callable[[Member, Member], bool]
_TRIES = 5
"""... to find how much of what is left goes into one parcel."""
_LIKELY = 0.4
"""Share of the most volume that mixed boxes are likely to reach (measured on random orders)."""


@dataclass(frozen=True, slots=True)
class Most:
    """What no parcel of a station can exceed."""

    mass_g: float
    volume_mm3: float


def most_of(case: Case, station: Station) -> Most:
    """The most that one parcel of this station could hold by mass and by volume."""
    service = case.service
    mass, volume = 0.0, 0.0
    for load in station.loaded:
        bag = case.room.bags.get(load.bag)
        if bag is None:
            continue
        width, length = largest(bag)
        lost = allowance_of(bag, (0.0, 0.0), (0.0, 0.0), 0.0)
        thick = station.max_goods_thickness_mm or inf
        volume = max(volume, most_volume(width - lost.across, length - lost.along, thick))
        mass = max(mass, inf if bag.mass_limit_g is None else bag.mass_limit_g)
    limits = station.max_parcel_mass_g, service.max_mass_g if service else None
    return Most(min([mass, *(limit for limit in limits if limit is not None)]), volume)


def least_parcels(members: Sequence[Member], most: Most) -> int:
    """Fewer parcels than this hold the pieces under no circumstances: by all their mass or volume,
    or because so many of them are heavier than half a parcel."""
    masses = [member.kind.mass_g or 0.0 for member in members]
    volume = sum(member.kind.filled_mm3 for member in members)
    alone = sum(2 * mass > most.mass_g for mass in masses)
    by_mass = sum(masses) / most.mass_g if most.mass_g > 0 else 1.0
    by_volume = volume / most.volume_mm3 if most.volume_mm3 > 0 else 1.0
    return max(1, alone, ceil(by_mass - 1e-9), ceil(by_volume - 1e-9))


def likely_parcels(members: Sequence[Member], limits: Most) -> int:
    """So many parcels are likely to do."""
    likely = Most(limits.mass_g, _LIKELY * limits.volume_mm3)
    return least_parcels(members, likely)


def dealt(ask: Ask, members: Sequence[Member], limits: Most, most: int) -> list[Packed] | None:
    """Parcels with even shares, as few as go; none where even the most do not."""
    burden = _burdens(members)
    ordered = sorted(members, key=lambda member: -burden[member.kind])
    least, most = least_parcels(members, limits), min(most, len(members))
    if least > most:
        return None
    start = min(likely_parcels(members, limits), most)
    found: list[Packed] | None = None
    for count in range(start, most + 1):
        found = _all_asked(ask, _hands(ordered, burden, count))
        if found is not None:
            break
    while found is not None and len(found) > least and len(found) <= start:
        fewer = _all_asked(ask, _hands(ordered, burden, len(found) - 1))
        if fewer is None:
            break
        found = fewer
    return found


def filled(
    ask: Ask, members: Sequence[Member], limits: Most, most: int, quarrel: Quarrel
) -> list[Packed] | None:
    """Parcels each as full as it goes, the largest pieces first; none where more than `most`."""
    burden = _burdens(members)
    left = sorted(members, key=lambda member: -burden[member.kind])
    parcels: list[Packed] = []
    while left:
        if len(parcels) == most:
            return None
        packed = _fullest(ask, _might_go_in(left, limits, quarrel), _LIKELY * limits.volume_mm3)
        if packed is None:
            return None
        parcels.append(packed)
        inside = {id(member) for member in packed.trial.members}
        left = [member for member in left if id(member) not in inside]
    return parcels


def _might_go_in(left: Sequence[Member], limits: Most, quarrel: Quarrel) -> list[Member]:
    """Pieces that one parcel could hold by mass, by volume and by who goes with whom."""
    chosen: list[Member] = []
    company: dict[int, Member] = {}
    mass = volume = 0.0
    for member in left:
        heavier = mass + (member.kind.mass_g or 0.0)
        larger = volume + member.kind.filled_mm3
        if chosen and (heavier > limits.mass_g or larger > limits.volume_mm3):
            continue
        if any(quarrel(member, other) for other in company.values()):
            continue
        chosen.append(member)
        company.setdefault(id(member.item), member)
        mass, volume = heavier, larger
    return chosen


def _fullest(ask: Ask, members: Sequence[Member], likely_mm3: float) -> Packed | None:
    """The longest run from the first piece on that goes into one bag, nearly."""
    best = ask(members[:1])
    fits, does_not = 1, len(members) + 1
    filled_mm3 = accumulate(member.kind.filled_mm3 for member in members)
    middle = max(2, sum(volume <= likely_mm3 for volume in filled_mm3))
    for _ in range(_TRIES):
        if does_not - fits <= 1:
            break
        middle = min(max(middle, fits + 1), does_not - 1)
        packed = ask(members[:middle])
        if packed is None:
            does_not = middle
            middle = (fits + does_not) // 2 if fits > 1 else int(0.75 * middle)
        else:
            fits, best = middle, packed
            middle = min(int(1.25 * middle) + 1, (fits + does_not) // 2)
    return best


def _all_asked(ask: Ask, hands: Iterator[list[Member]]) -> list[Packed] | None:
    parcels = []
    for hand in hands:
        packed = ask(hand)
        if packed is None:
            return None
        parcels.append(packed)
    return parcels


def _hands(
    ordered: Sequence[Member], burden: dict[Kind, float], count: int
) -> Iterator[list[Member]]:
    """Each piece, the largest first, to the emptiest hand."""
    hands: list[list[Member]] = [[] for _ in range(count)]
    held = [0.0] * count
    for member in ordered:
        emptiest = min(range(count), key=held.__getitem__)
        hands[emptiest].append(member)
        held[emptiest] += burden[member.kind]
    return iter(hands)


def _burdens(members: Sequence[Member]) -> dict[Kind, float]:
    """How much of the order's volume and mass a piece of each kind is."""
    # sides of next to nothing multiply to nothing
    volume = sum(member.kind.volume_mm3 for member in members) or 1.0
    mass = sum(member.kind.mass_g or 0.0 for member in members) or 1.0
    return {
        member.kind: member.kind.volume_mm3 / volume + (member.kind.mass_g or 0.0) / mass
        for member in members
    }
