"""The far end of a line, as the kit needs it: a device that really speaks the protocol."""

from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Mapping
from typing import ClassVar

from adapters import registry
from adapters.contract import LineSettings, StationAdapter
from schemas.station import OptionValue, Signal


class RigCannot(Exception):
    """This far end has no way to do what a check needs: exempt the check, with a reason."""


class Rig(ABC):
    """Made, started and stopped once per check. What it can't do, it leaves as it is here.

    Give short deadlines in `options`, so that checks of dead peers are quick.
    """

    unsaid: ClassVar[Mapping[str, str]] = {}
    """Details of a report that this line can't carry, by their name in `Signal`, with the reason.

    They must then be empty, not wrong.
    """

    @abstractmethod
    async def start(self) -> None:
        """Start the device on a free port of loopback, or in memory."""

    @abstractmethod
    async def stop(self) -> None:
        """Stop it and let go of everything."""

    @abstractmethod
    def options(self) -> Mapping[str, OptionValue]:
        """The options of the line as the site file would give them."""

    @abstractmethod
    async def printed(self, at_least: int) -> tuple[str, ...]:
        """What was printed so far, in order: the code on each label (see `kit.code_on`).

        Waits a moment for so many, but not for more.
        """

    def build(self, kind: str | type[StationAdapter], station: str) -> StationAdapter:
        """The adapter for this far end."""
        settings = LineSettings(station, self.options())
        if isinstance(kind, str):
            return registry.build(kind, settings)
        return kind.from_settings(settings)

    def address(self) -> tuple[str, int] | None:
        """Where it listens, if its options hold that as `host` and `port`."""
        return None

    async def off(self) -> None:
        """Switch it off: open lines break, new ones are refused."""
        raise RigCannot("off")

    async def on(self) -> None:
        """Switch it on again where it was."""
        raise RigCannot("on")

    def cut_next(self, after_bytes: int) -> None:
        """Break the line amid the next job, print nothing of it."""
        raise RigCannot(f"cut_next({after_bytes})")

    def lose_next_answer(self) -> None:
        """Print the next job, and break the line or stay silent instead of answering."""
        raise RigCannot("lose_next_answer")

    def garbage_next(self) -> None:
        """Answer the next job, or the query before it, with bytes that mean nothing."""
        raise RigCannot("garbage_next")

    def refuse_next(self) -> None:
        """Refuse the next job."""
        raise RigCannot("refuse_next")

    def silent(self) -> None:
        """Accept lines and never read them, until `heal`."""
        raise RigCannot("silent")

    def slow(self) -> None:
        """Read and answer slowly, until `heal`."""
        raise RigCannot("slow")

    def needs_person(self) -> None:
        """Be out of labels, until `heal`."""
        raise RigCannot("needs_person")

    def heal(self) -> None:
        """End every fault that lasts."""
        raise RigCannot("heal")

    def report(self, signal: Signal) -> None:
        """Report this by itself."""
        raise RigCannot(f"report {signal.kind}")

    def heard(self, adapter: StationAdapter) -> AsyncIterator[Signal]:
        """Its reports as the gateway gets them. For a kind that reads signed requests: those."""
        return adapter.signals()

    def held(self) -> bool:
        """Whether it was told to hold."""
        raise RigCannot("held")

    def made(self) -> tuple[tuple[float, float], ...]:
        """Width and length in mm of each bag that it made, in order, as it was told them."""
        raise RigCannot("made")

    def passed(self) -> tuple[str, ...]:
        """Codes of goods that it was told to let pass."""
        raise RigCannot("passed")

    def lines(self) -> int:
        """Lines that are open now, seen from its side."""
        raise RigCannot("lines")
