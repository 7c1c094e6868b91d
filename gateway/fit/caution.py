"""Suffocation warnings: whether one is due on a bag, and how large its type must be.

Thresholds are data of the site, one text for each jurisdiction. Defer to local codes and counsel.
"""

from gateway.fit.demands import Demands
from gateway.fit.room import Room
from schemas.rules import BagDemand, WarningText
from schemas.supply import Film


def warning_due(film: Film, demands: Demands, room: Room, flat_opening_mm: float) -> bool:
    """Whether a suffocation warning must be on this bag. The opening is its flat width, mm."""
    if BagDemand.WARNING in demands.demanded:
        return True
    warning = room.warnings.get(demands.warning_text or "")
    if warning is None:
        return False
    thin = warning.thickness_below_um is None or film.thickness_um < warning.thickness_below_um
    return thin and flat_opening_mm >= warning.flat_opening_from_mm


def least_type_pt(warning: WarningText, width_mm: float, length_mm: float) -> float | None:
    """The least type, in points of 1/72 inch, on a bag of this outer flat size; none is stated
    where the text has no step that the bag reaches."""
    both = width_mm + length_mm
    reached = [size for size in warning.type_sizes if both >= size.length_plus_width_from_mm]
    last = max(reached, key=lambda size: size.length_plus_width_from_mm, default=None)
    return last.points if last else None
