"""No packing takes fewer parcels than this: by mass, by volume, or by pieces no two of which go
into one bag, because they are kept apart, too heavy together or too large together."""

from collections.abc import Callable, Sequence

from gateway.fit.bags import Allowance, allowance_of
from gateway.fit.bound import floor_of, too_small
from gateway.fit.deal import Most, least_parcels, most_of
from gateway.fit.parcel import Case
from gateway.fit.pieces import Kind, Member
from schemas.station import Station
from schemas.supply import Bag

Quarrel = Callable[[Member, Member], bool]
_LOOKED_AT = 40
"""Different pieces, the largest first, among which such that can't go together are sought."""


def fewest_parcels(
    case: Case, members: Sequence[Member], station: Station, quarrel: Quarrel
) -> int:
    """A lower bound on the parcels that these pieces make at a station."""
    limits = most_of(case, station)
    bags = [case.room.bags[load.bag] for load in station.loaded if load.bag in case.room.bags]
    stocked = [(bag, allowance_of(bag, (0.0, 0.0), (0.0, 0.0), 0.0)) for bag in bags]
    apart = _none_together(members, stocked, limits, quarrel)
    return max(least_parcels(members, limits), apart)


def _none_together(
    members: Sequence[Member],
    bags: Sequence[tuple[Bag, Allowance]],
    limits: Most,
    quarrel: Quarrel,
) -> int:
    """Pieces of which no two can share a parcel, gathered greedily."""
    known: dict[frozenset[Kind], bool] = {}

    def too_large(one: Kind, two: Kind) -> bool:
        pair = frozenset((one, two))
        if pair not in known:
            floor = floor_of([one, two])
            known[pair] = all(too_small(bag, floor, lost) for bag, lost in bags)
        return known[pair]

    def apart(one: Member, two: Member) -> bool:
        mass = (one.kind.mass_g or 0.0) + (two.kind.mass_g or 0.0)
        return quarrel(one, two) or mass > limits.mass_g or too_large(one.kind, two.kind)

    alike: dict[tuple[int, Kind], list[Member]] = {}
    for member in members:
        alike.setdefault((id(member.item), member.kind), []).append(member)
    largest = sorted(alike.values(), key=lambda same: -same[0].kind.volume_mm3)[:_LOOKED_AT]
    chosen: list[Member] = []
    for same in largest:
        if all(apart(same[0], other) for other in chosen):
            chosen += same if len(same) > 1 and apart(same[0], same[1]) else same[:1]
    return len(chosen)


def told(parcels: int, least: int) -> str | None:
    """What is known of fewer parcels, where they are not ruled out."""
    if parcels <= least:
        return None
    found = "1 parcel is" if least == 1 else f"{least} parcels are"
    return f"{parcels} parcels were found; that {found} not enough is not proved"
