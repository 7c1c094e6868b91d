"""Dimensional weight and what a service bills. Whole numbers, so that no ceiling slips."""

from datetime import date
from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal
from fractions import Fraction

from schemas.rules import DimensionalWeight, MassUnit, Service, SideRounding

_MM_PER_SIDE_UNIT = {"cm": Decimal(10), "in": Decimal("25.4")}
_G_PER_MASS_UNIT = {MassUnit.KG: Decimal(1000), MassUnit.LB: Decimal("453.59237")}
"""Source: the international inch and pound are 25.4 mm and 453.59237 g exactly (from memory)."""
_ROUNDING = {SideRounding.HALF_UP: ROUND_HALF_UP, SideRounding.UP: ROUND_CEILING}


def dimensional_rule(service: Service, on: date | None) -> DimensionalWeight | None:
    """The rule in force on a day: the one that began last. Without a day, the newest."""
    in_force = [
        rule
        for rule in service.dimensional_weight
        if on is None or rule.from_date is None or rule.from_date <= on
    ]
    return max(in_force, key=lambda rule: rule.from_date or date.min, default=None)


def billed_mass(
    rule: DimensionalWeight, sides_mm: tuple[float, float, float], mass_g: float
) -> float:
    """The larger of mass and dimensional weight, up to the next step, in the rule's mass unit."""
    volume = Fraction(1)
    for side in sides_mm:
        units = _tidy(side) / _MM_PER_SIDE_UNIT[rule.side_unit]
        if rule.side_rounding is not SideRounding.NONE:
            units = units.quantize(Decimal(1), rounding=_ROUNDING[rule.side_rounding])
        volume *= Fraction(units)
    dimensional = volume / rule.divisor
    actual = Fraction(_tidy(mass_g)) / Fraction(_G_PER_MASS_UNIT[rule.mass_unit])
    step = Fraction(str(rule.mass_step))
    steps = -(-max(dimensional, actual) // step)
    return float(steps * step)


def _tidy(measure: float) -> Decimal:
    """A length or mass without the dust of float sums: a millionth is below any scale."""
    return Decimal(repr(round(measure, 6)))
