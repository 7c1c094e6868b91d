"""How often a roll or box is changed when orders come as they came."""

from collections import Counter, OrderedDict
from collections.abc import Iterable

from schemas.base import BagId


def changes(wanted: Iterable[BagId], slots: int) -> Counter[BagId]:
    """How often each bag is loaded in the place of another, with so many supplies held at once.

    Each parcel gets the bag that is best for it, and the supply that was not used for longest
    leaves. Filling slots that are still empty is no change. A room that packs alike orders one
    after the other changes less often.
    """
    loaded: OrderedDict[BagId, None] = OrderedDict()
    found: Counter[BagId] = Counter()
    for bag in wanted:
        if bag in loaded:
            loaded.move_to_end(bag)
            continue
        if len(loaded) >= slots:
            loaded.popitem(last=False)
            found[bag] += 1
        loaded[bag] = None
    return found
