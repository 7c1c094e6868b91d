"""What a bag of each form offers to a front: the size to open or make, or why not."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil

from gateway.fit.arrangement import Arrangement
from schemas.decision import Reason, ReasonCode
from schemas.supply import Bag, BagForm, Film, PreOpenedBag, SealedFilm, Tubing

_HAIR_MM = 1e-6
"""Rounding of sums of floats is not a reason to turn a bag down."""


@dataclass(frozen=True, slots=True)
class Allowance:
    """What the bag itself and its demands add to the bare need of the goods, mm."""

    across: float
    """Ease, side seals and tolerance."""
    along: float
    """Ease, seals, skirt, header and tolerance."""
    least_width: float
    """Outer width that leaves a flat face for the label."""
    least_length: float


def allowance_of(
    bag: Bag, ease: tuple[float, float], label: tuple[float, float], margin: float
) -> Allowance:
    """Ease and label as (across, along), mm; the margin goes round the label."""
    lost_across = 2 * bag.side_seal_mm + bag.width_tolerance_mm
    lost_along = (
        bag.header_mm
        + bag.closing_seal_mm
        + bag.bottom_seal_mm
        + bag.skirt_mm
        + bag.length_tolerance_mm
    )
    return Allowance(
        across=lost_across + ease[0],
        along=lost_along + ease[1],
        least_width=label[0] + 2 * margin + lost_across,
        least_length=label[1] + 2 * margin + lost_along,
    )


@dataclass(frozen=True, slots=True)
class Offer:
    """A bag in its outer flat size with the goods laid in it."""

    width: float
    length: float
    needed_width: float
    needed_length: float
    arrangement: Arrangement
    film_area: float
    binding: str


def offer_of(
    bag: Bag, arrangements: Iterable[Arrangement], allowance: Allowance
) -> Offer | tuple[Reason, ...]:
    """The least film that this bag takes for the goods, or every reason against it."""
    needs = [(a.width + allowance.across, a.length + allowance.along, a) for a in arrangements]
    match bag.form:
        case BagForm.PRE_OPENED:
            return _opened(bag, needs, allowance)
        case BagForm.TUBING:
            return _cut(bag, needs, allowance)
        case BagForm.SEALED_FILM:
            return _sealed(bag, needs, allowance)


Needs = list[tuple[float, float, Arrangement]]


def _opened(bag: PreOpenedBag, needs: Needs, allowance: Allowance) -> Offer | tuple[Reason, ...]:
    width, length = bag.width_mm, bag.length_mm
    reasons = _against(needs, width, length, allowance)
    if reasons:
        return reasons
    fitting = [
        need for need in needs if need[0] <= width + _HAIR_MM and need[1] <= length + _HAIR_MM
    ]
    across, along, laid = max(fitting, key=lambda need: min(width - need[0], length - need[1]))
    return Offer(
        width,
        length,
        across,
        along,
        laid,
        film_area(bag, width, length),
        "width" if width - across <= length - along else "length",
    )


def _cut(bag: Tubing, needs: Needs, allowance: Allowance) -> Offer | tuple[Reason, ...]:
    width = bag.lay_flat_width_mm
    reasons = _against(needs, width, bag.max_length_mm, allowance)
    if reasons:
        return reasons
    across, along, laid = min(
        (need for need in needs if need[0] <= width + _HAIR_MM), key=lambda need: need[1]
    )
    asked = {"stock": bag.min_length_mm, "length": along, "label": allowance.least_length}
    length = stepped(max(asked.values()), bag.min_length_mm, bag.length_step_mm)
    if length > bag.max_length_mm + _HAIR_MM:
        return (too_long(along, bag.max_length_mm),)
    binding = max(asked, key=asked.__getitem__)
    return Offer(width, length, across, along, laid, film_area(bag, width, length), binding)


def _sealed(bag: SealedFilm, needs: Needs, allowance: Allowance) -> Offer | tuple[Reason, ...]:
    reasons = _against(needs, bag.max_width_mm, bag.max_length_mm, allowance)
    if reasons:
        return reasons
    best: Offer | None = None
    for across, along, laid in sorted(needs, key=lambda need: need[0] * need[1]):
        if best is not None and 2 * across * along >= best.film_area:
            break
        wide = {"stock": bag.min_width_mm, "width": across, "label": allowance.least_width}
        width = stepped(max(wide.values()), bag.min_width_mm, bag.width_step_mm)
        asked = {"stock": bag.min_length_mm, "length": along, "label": allowance.least_length}
        length = stepped(max(asked.values()), bag.min_length_mm, bag.length_step_mm)
        if width > bag.max_width_mm + _HAIR_MM or length > bag.max_length_mm + _HAIR_MM:
            continue
        area = film_area(bag, width, length)
        if best is None or area < best.film_area:
            binding = _sealed_by(wide, asked, width - across, length - along)
            best = Offer(width, length, across, along, laid, area, binding)
    return best or (too_long(min(need[1] for need in needs), bag.max_length_mm),)


def _sealed_by(
    wide: dict[str, float], long: dict[str, float], to_spare: float, along: float
) -> str:
    """What set a size made to measure: a demand beyond the goods' own, else the tighter side."""
    by = max(wide, key=wide.__getitem__), max(long, key=long.__getitem__)
    beyond = [one for one in by if one in {"label", "stock"}]
    return beyond[0] if beyond else by[0] if to_spare <= along else by[1]


def stepped(needed: float, start: float, step: float) -> float:
    """The least size of `start`, `start + step` and so on that is not below the need, mm."""
    return start + max(0, ceil((needed - start) / step - _HAIR_MM)) * step


def film_area(bag: Bag, width: float, length: float) -> float:
    """All film of a bag in this outer flat size, mm2: both panels and the single-ply lip."""
    lip = bag.lip_mm if bag.form is BagForm.PRE_OPENED else 0.0
    return width * (2 * length + lip)


def film_mass_g(film: Film, area_mm2: float) -> float:
    """Mass of so much film, g: area times thickness times density."""
    return area_mm2 * film.thickness_um * film.density_g_cm3 * 1e-6


def film_price(bag: Bag, film: Film, width: float, length: float) -> float | None:
    """Price of the bag in the site's money; empty where the site states none."""
    match bag:
        case PreOpenedBag(price_each=price) if price is not None:
            return price
        case Tubing(price_per_m=price) if price is not None:
            return price * length / 1000
        case SealedFilm(price_per_m2=price) if price is not None:
            return price * film_area(bag, width, length) / 1e6
    if film.price_per_kg is None:
        return None
    return film_mass_g(film, film_area(bag, width, length)) / 1000 * film.price_per_kg


def _against(needs: Needs, width: float, length: float, allowance: Allowance) -> tuple[Reason, ...]:
    """Reasons against a bag of at most this outer size."""
    reasons: list[Reason] = []
    if needs:
        narrowest = min(need[0] for need in needs)
        shortest = min(need[1] for need in needs)
        if narrowest > width + _HAIR_MM:
            reasons.append(too_wide(narrowest, width))
        if shortest > length + _HAIR_MM:
            reasons.append(too_long(shortest, length))
        if not reasons:
            at_width = min(need[1] for need in needs if need[0] <= width + _HAIR_MM)
            if at_width > length + _HAIR_MM:
                reasons.append(too_long(at_width, length, width))
    for needed, available, side in (
        (allowance.least_width, width, "width"),
        (allowance.least_length, length, "length"),
    ):
        if needed > available + _HAIR_MM:
            reasons.append(
                Reason(
                    code=ReasonCode.LABEL_SPACE,
                    text=f"the label with its margins needs a {side} of {needed:.1f} mm,"
                    f" the bag has {available:.1f} mm",
                    needed=round(needed, 3),
                    available=round(available, 3),
                    unit="mm",
                )
            )
    return tuple(reasons)


def largest(bag: Bag) -> tuple[float, float]:
    """The greatest outer width and length, mm, that the bag comes in or can be made."""
    match bag.form:
        case BagForm.PRE_OPENED:
            return bag.width_mm, bag.length_mm
        case BagForm.TUBING:
            return bag.lay_flat_width_mm, bag.max_length_mm
        case BagForm.SEALED_FILM:
            return bag.max_width_mm, bag.max_length_mm


def too_wide(needed: float, available: float) -> Reason:
    """The goods are too wide for the bag."""
    return Reason(
        code=ReasonCode.TOO_WIDE,
        text=f"the goods need a flat width of {needed:.1f} mm, the bag has {available:.1f} mm",
        needed=round(needed, 3),
        available=round(available, 3),
        unit="mm",
    )


def too_long(needed: float, available: float, at_width: float | None = None) -> Reason:
    """The goods are too long for the bag, at most or when laid to fit its width."""
    laid = "" if at_width is None else f" when laid to fit its width of {at_width:.1f} mm"
    return Reason(
        code=ReasonCode.TOO_LONG,
        text=f"the goods need a length of {needed:.1f} mm{laid}, the bag has {available:.1f} mm",
        needed=round(needed, 3),
        available=round(available, 3),
        unit="mm",
    )
