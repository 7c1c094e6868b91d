"""Which bag for which goods, how they lie in it, and why. Pure: values in, values out."""

from gateway.fit.choose import decide
from gateway.fit.room import Room

__all__ = ["Room", "decide"]
