"""Which bag for which goods, how they lie in it, and why. Pure: values in, values out."""

from gateway.fit.choose import decide
from gateway.fit.picture import draw
from gateway.fit.room import Room
from gateway.fit.rules_report import RuleFinding, rules_report

__all__ = ["Room", "RuleFinding", "decide", "draw", "rules_report"]
