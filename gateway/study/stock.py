"""What a stock of bags uses up in a day, and how much of each to order."""

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, tzinfo
from math import ceil

from gateway.study.errors import StudyWrong
from gateway.study.past import Past
from gateway.study.totals import Stocked, changes_of
from schemas.base import BagId
from schemas.study import Consumption, Pack, Reserve
from schemas.supply import Bag, BagForm


@dataclass
class _Used:
    pieces: int = 0
    length_mm: float = 0.0
    film_mm2: float = 0.0


def working_days(past: Past, zone: tzinfo) -> int | None:
    """Days of the site on which orders came; none where some order has no time."""
    if not past.timed:
        return None
    return len({call.at.astimezone(zone).date() for call in past.calls if call.at})


def stock_of(
    past: Past,
    stocked: Stocked,
    bags: Mapping[BagId, Bag],
    reserve: Reserve,
    packs: Mapping[BagId, Pack],
    slots: int | None,
    zone: tzinfo,
) -> list[Consumption]:
    """Each bag of the stock, the most used first.

    To order: the mean of a working day times the days it is to last, and the margin on top.
    Raises `StudyWrong` where neither times nor days are known.
    """
    days = _days(past, reserve, zone)
    used = _used(past, stocked)
    busiest = _busiest_days(past, stocked, zone)
    changed = changes_of(past, stocked, slots) or Counter()
    parcels = sum(one.pieces for one in used.values()) or 1
    cover = reserve.cover_days / days * (1 + reserve.margin_share)
    found = []
    for bag in stocked.bags:
        one = used[bag]
        spoiled = changed[bag] * stocked.station.changeover_waste_bags
        mean_length_m = one.length_mm / one.pieces / 1000 if one.pieces else 0.0
        metres = mean_length_m * (one.pieces + spoiled)
        by_length = bags[bag].form is not BagForm.PRE_OPENED
        to_order = ceil((one.pieces + spoiled) * cover - 1e-9)
        consumption = Consumption(
            bag=bag,
            pieces=one.pieces,
            spoiled=spoiled,
            metres=metres if by_length else None,
            film_m2=one.film_mm2 / 1e6,
            share_of_parcels=one.pieces / parcels,
            pieces_per_day=(one.pieces + spoiled) / days,
            busiest_day_pieces=busiest[bag] if busiest is not None else None,
            pieces_to_order=to_order,
            metres_to_order=metres * cover if by_length else None,
            packs_to_order=_packs(packs.get(bag), to_order, metres * cover),
        )
        found.append(consumption.model_copy(update={"text": _in_words(consumption)}))
    return sorted(found, key=lambda one: (-one.pieces, one.bag))


def _days(past: Past, reserve: Reserve, zone: tzinfo) -> float:
    days = working_days(past, zone) or reserve.days
    if days is None:
        raise StudyWrong(
            "the orders have no times, so nobody can tell how many days they took: give each line"
            " its `at`, or state reserve.days"
        )
    return days


def _in_words(one: Consumption) -> str:
    text = f"order {one.pieces_to_order} of {one.bag}"
    if one.metres_to_order is not None:
        text = f"order {one.metres_to_order:.0f} m of {one.bag}"
    if one.packs_to_order is not None:
        text += f", {one.packs_to_order} pack{'' if one.packs_to_order == 1 else 's'}"
    return f"{text}: {one.pieces_per_day:.1f} bags go in a day"


def _packs(pack: Pack | None, pieces: int, metres: float) -> int | None:
    """Whole boxes or rolls that hold so much."""
    if pack is None:
        return None
    if pack.pieces is not None:
        return ceil(pieces / pack.pieces)
    return ceil(metres / pack.metres - 1e-9) if pack.metres else None


def _used(past: Past, stocked: Stocked) -> dict[BagId, _Used]:
    used: dict[BagId, _Used] = defaultdict(_Used)
    for answer, orders in zip(stocked.answers, past.counts, strict=True):
        for parcel in answer.parcels:
            one = used[parcel.bag]
            one.pieces += orders
            one.length_mm += orders * parcel.length_mm
            one.film_mm2 += orders * parcel.film_mm2
    return used


def _busiest_days(past: Past, stocked: Stocked, zone: tzinfo) -> Counter[BagId] | None:
    """The most pieces of each bag on one day."""
    if not past.timed:
        return None
    by_day: dict[date, Counter[BagId]] = defaultdict(Counter)
    for call in past.calls:
        if call.at is not None:
            today = by_day[call.at.astimezone(zone).date()]
            today.update(parcel.bag for parcel in stocked.answers[call.content].parcels)
    most: Counter[BagId] = Counter()
    for today in by_day.values():
        most |= today
    return most
