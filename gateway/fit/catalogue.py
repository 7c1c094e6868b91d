"""The catalogue's size of an article against what a dimension scanner saw."""

from schemas.decision import SizeDispute
from schemas.goods import MeasuredSize, Size
from schemas.order import Line
from schemas.rules import Packing


def dispute_of(line: Line, measured: MeasuredSize, packing: Packing) -> SizeDispute | None:
    """The disagreement that a person must settle, or none. Sides are compared by length, since
    the scanner does not know which way the piece lies; a folded piece may show any folded size."""
    item = line.item
    if item.size is None:
        return None
    seen = _sides(measured.size)
    states = [_sides(size) for size in (item.size, *item.folded_states)]
    nearest = min(states, key=lambda state: _worst(state, seen))
    wrong = any(
        off > max(packing.measured_disagreement_mm, item.size_tolerance_mm)
        and off > packing.measured_disagreement_share * side
        for side, off in _differences(nearest, seen)
    )
    if not wrong:
        return None
    return SizeDispute(
        line_id=line.line_id,
        sku=item.sku,
        catalogue_mm=nearest,
        measured_mm=seen,
        off_by_mm=_worst(nearest, seen),
        text=f"article {item.sku}: the catalogue says {_text(nearest)} mm, the scanner saw"
        f" {_text(seen)} mm; mend the catalogue or measure again",
    )


def _sides(size: Size) -> tuple[float, float, float]:
    long, middle, short = sorted(size.in_mm(), reverse=True)
    return long, middle, short


def _differences(
    catalogue: tuple[float, float, float], seen: tuple[float, float, float]
) -> list[tuple[float, float]]:
    return [(side, abs(side - other)) for side, other in zip(catalogue, seen, strict=True)]


def _worst(catalogue: tuple[float, float, float], seen: tuple[float, float, float]) -> float:
    return max(off for _, off in _differences(catalogue, seen))


def _text(sides: tuple[float, float, float]) -> str:
    return " x ".join(f"{side:.1f}" for side in sides)
