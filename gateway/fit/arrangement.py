"""A way to lay goods, and what a bag must have to go round it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from gateway.fit.layout import Laid


@dataclass(frozen=True, slots=True)
class Arrangement:
    """A way to lay the goods and the bare need of it, mm, before ease and seals."""

    width: float
    length: float
    size: tuple[float, float, float]
    lying: Callable[[], Sequence[Laid]]
    turned: bool = False
    """Everything as in `lying`, after a quarter turn on the table."""

    @property
    def laid(self) -> Sequence[Laid]:
        """The blocks at their places."""
        if not self.turned:
            return self.lying()
        return [Laid(one.block.turned(), one.y, one.x, one.z) for one in self.lying()]

    def quarter_turn(self) -> "Arrangement":
        """The same goods with the other side along the bag."""
        along, across, up = self.size
        return Arrangement(
            self.length, self.width, (across, along, up), self.lying, not self.turned
        )
