"""More than one parcel: when one bag can't be, the fewest parcels, then the least film."""

from collections.abc import Sequence

from gateway.fit.conditions import holds_for_item, holds_for_order
from gateway.fit.parcel import Case, Packed, ask_station
from gateway.fit.pieces import Member
from schemas.station import Station


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
    """Parcels at one station that hold every piece once, or none within the site's limit."""
    most = case.room.packing.max_parcels
    parcels: list[Packed] = []
    for together in _apart(case, members):
        ordered = sorted(together, key=lambda m: -m.kind.volume_mm3)
        while ordered:
            filled: Packed | None = None
            taken: list[Member] = []
            for member in ordered:
                asked = ask_station(case, [*taken, member], station, label)
                if asked.packed is not None:
                    filled, taken = asked.packed, [*taken, member]
            if filled is None or len(parcels) == most:
                return None
            parcels.append(filled)
            chosen = {id(member) for member in taken}
            ordered = [member for member in ordered if id(member) not in chosen]
    return parcels
