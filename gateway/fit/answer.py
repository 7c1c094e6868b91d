"""A packed bag as the answer tells it: where each piece lies, margins, void, warnings."""

from collections.abc import Iterator
from math import cbrt, ceil, pi

from gateway.fit.caution import least_type_pt, warning_due
from gateway.fit.parcel import Case, Packed
from gateway.fit.pieces import Kind, Member
from schemas.decision import ChosenBag, Parcel, Piece
from schemas.supply import BagForm


def parcel_of(case: Case, packed: Packed) -> Parcel:
    """The parcel as data and in words."""
    offer, bag = packed.offer, packed.trial.bag
    due = warning_due(packed.trial.film, packed.demands, case.room, offer.width)
    caution = case.room.warnings.get(packed.demands.warning_text or "")
    on_label = caution if due and not bag.warning_printed else None
    needed = _told(offer.needed_width, offer.width), _told(offer.needed_length, offer.length)
    along, across, up = offer.arrangement.size
    outer, binding = packed.outer_size, _binding(packed)
    return Parcel(
        station=packed.trial.station.id,
        bag=ChosenBag(
            id=bag.id,
            form=BagForm(bag.form),
            film=bag.film,
            width_mm=round(offer.width, 4),
            length_mm=round(offer.length, 4),
        ),
        pieces=tuple(_pieces(packed)),
        mass_g=None if packed.mass_g is None else round(packed.mass_g, 3),
        needed_width_mm=needed[0],
        needed_length_mm=needed[1],
        goods_size_mm=(round(along, 6), round(across, 6), round(up, 6)),
        film_area_mm2=round(offer.film_area, 2),
        film_mass_g=round(packed.film_mass_g, 4),
        void_share=round(_void(packed), 4),
        margin_width_mm=round(max(0.0, offer.width - needed[0]), 4),
        margin_length_mm=round(max(0.0, offer.length - needed[1]), 4),
        binding=binding,
        text=_sentence(packed, binding),
        outer_size_mm=(round(outer[0], 3), round(outer[1], 3), round(outer[2], 3)),
        billed_mass=packed.billed,
        cost=None if packed.cost is None else round(packed.cost, 6),
        warning_text=on_label.id if on_label else None,
        warning_type_pt=least_type_pt(on_label, offer.width, offer.length) if on_label else None,
        warnings=tuple(_warnings(packed)),
        rules=packed.demands.rules,
    )


def _told(needed: float, size: float) -> float:
    """A need, mm, up to the next hundredth, which no scale shows; not above the bag that holds."""
    return min(round(ceil(needed * 100 - 1e-6) / 100, 4), round(size, 4))


def _binding(packed: Packed) -> str:
    """What set the size. Goods without a limit would best be about a brick of sides 2, 2 and 1;
    where less height is allowed than that, the thickness did."""
    volume = sum(member.kind.filled_mm3 for member in packed.trial.members)
    many = len(packed.trial.members) > 1
    held_down = many and cbrt(volume / 4) > packed.demands.max_up.limit
    of_goods = packed.offer.binding in {"width", "length"}
    return "thickness" if held_down and of_goods else packed.offer.binding


_SET_BY = {
    "width": "the goods' width",
    "length": "the goods' length",
    "thickness": "the thickness that may pass",
    "label": "the label",
    "stock": "the smallest size that can be made",
}


def _sentence(packed: Packed, binding: str) -> str:
    offer = packed.offer
    along, across, up = offer.arrangement.size
    in_stock = packed.trial.bag.form is BagForm.PRE_OPENED and binding in {"width", "length"}
    why = (
        f"it is tightest in its {binding}" if in_stock else f"its size is set by {_SET_BY[binding]}"
    )
    return (
        f"bag {packed.trial.bag.id}, {offer.width:.0f} x {offer.length:.0f} mm, at"
        f" {packed.trial.station.id}: goods of {along:.0f} x {across:.0f} x {up:.0f} mm need"
        f" {offer.needed_width:.0f} x {offer.needed_length:.0f} mm; {why}"
    )


def _pieces(packed: Packed) -> Iterator[Piece]:
    waiting: dict[Kind, list[Member]] = {}
    for member in reversed(packed.trial.members):
        waiting.setdefault(member.kind, []).append(member)
    for laid in packed.offer.arrangement.laid:
        kind = packed.front.kinds[laid.block.kind]
        for x, y, z, dx, dy, dz in laid.block.corners():
            member = waiting[kind].pop()
            yield Piece(
                line_id=member.line_id,
                piece=member.number,
                x_mm=round(laid.x + x, 6),
                y_mm=round(laid.y + y, 6),
                z_mm=round(laid.z + z, 6),
                dx_mm=round(dx, 6),
                dy_mm=round(dy, 6),
                dz_mm=round(dz, 6),
                shape=kind.shape.value,
            )


def capacity_mm3(width: float, length: float) -> float:
    """What a sealed flat bag of this usable size can hold at most, roughly, mm3.

    Source: A. C. Robin, Paper Bag Problem, Mathematics Today (June 2004), the short formula; it
    lies a few percent low for a square bag.
    """
    short, long = sorted((width, length))
    return float(short**3 * (long / (pi * short) - 0.142 * (1 - 10 ** (-long / short))))


def _void(packed: Packed) -> float:
    usable_width = packed.offer.width - 2 * packed.trial.bag.side_seal_mm
    bag = packed.trial.bag
    lost = bag.header_mm + bag.closing_seal_mm + bag.bottom_seal_mm + bag.skirt_mm
    usable_length = packed.offer.length - lost
    if usable_width <= 0 or usable_length <= 0:
        return 0.0
    goods = sum(member.kind.volume_mm3 for member in packed.trial.members)
    return max(0.0, min(1.0, 1 - goods / capacity_mm3(usable_width, usable_length)))


def _warnings(packed: Packed) -> Iterator[str]:
    items = {member.item.sku: member.item for member in packed.trial.members}
    sharp = [sku for sku, item in items.items() if item.handling.sharp]
    if sharp:
        yield f"sharp: {', '.join(sharp[:5])} can cut the film; cover edges and points"
    for rule in packed.demands.approvals:
        approval = rule.effect.allow_dangerous
        if approval and any(item.handling.dangerous for item in items.values()):
            yield (
                f"dangerous goods allowed by rule {rule.name!r}, approved by"
                f" {approval.approved_by} ({approval.reference})"
            )
    if packed.mass_g is None:
        yield "the mass is not known: no limit of mass was in force to check"
    if any(item.own_pack for item in items.values()):
        yield "ships in a pack of its own: it could carry the label without a bag"
