"""A general packing library asked for the same bags: py3dbp, boxes into a rigid bin.

A bag of usable width W and length L holds whatever a rigid bin (L - c) x (W - c) x c holds, for
any height c (the trade's box rule). So the library is given each bag as bins of several heights.
"""

from py3dbp import Bin, Item, Packer

Box = tuple[int, int, int]


def holds(boxes: list[Box], width: float, length: float, heights: int = 12) -> bool:
    """Whether the library packs every box into one of the bins that the bag stands for."""
    tallest = min(width, length) * 0.6
    for step in range(1, heights + 1):
        up = tallest * step / heights
        packer = Packer()
        packer.add_bin(Bin("bag", length - up, width - up, up, 1e9))
        for number, box in enumerate(boxes):
            packer.add_item(Item(str(number), *box, 1))
        packer.pack(bigger_first=True)
        if not packer.bins[0].unfitted_items:
            return True
    return False


def smallest(boxes: list[Box], bags: list[tuple[float, float]]) -> int | None:
    """Position of the first of the bags, smallest first, that the library fills."""
    return next((n for n, bag in enumerate(bags) if holds(boxes, *bag)), None)
