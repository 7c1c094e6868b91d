"""The machine of a simulated station as a pure state machine: its row of bags and its memory.

Positions are places of the machine: 0 is where goods are loaded, `bags_ahead` is where labels are
printed. A print moves the row by one and puts the new bag at the printing place; `advance` moves
the row without a print and is reported as such.
"""

from dataclasses import dataclass, field, replace

from adapters.simulator.labels import Label
from schemas.station import MachineState, Signal, SignalKind


@dataclass(frozen=True, slots=True)
class Bag:
    """A printed bag: its number on the machine's counter, its job if known, what it says."""

    number: int
    job_id: str
    codes: tuple[str, ...]
    texts: tuple[str, ...] = ()
    size_mm: tuple[float, float] | None = None
    """Width and length as it was told to make it; empty where it was only told to print."""


@dataclass(slots=True)
class Cycle:
    """The row of bags between printing and loading, and what the machine remembers."""

    bags_ahead: int = 0
    state: MachineState = MachineState.IDLE
    printed: list[Bag] = field(default_factory=list)
    """Every bag that was ever printed, in order: what the machine's counter counts."""
    left: list[Bag] = field(default_factory=list)
    """Bags that were sealed and left."""
    pulled: list[Bag] = field(default_factory=list)
    """Bags that were taken out of the row."""
    remembers: set[str] = field(default_factory=set)
    """Job ids that were printed; kept over a power cut."""
    row: list[Bag | None] = field(default_factory=list)

    def __post_init__(self) -> None:
        if not 0 <= self.bags_ahead <= 10:
            raise ValueError("bags_ahead is 0 to 10")
        self.row = [None] * (self.bags_ahead + 1)

    def can_print(self) -> bool:
        """Whether the row may move: nothing printed stands at the loading place."""
        return self.state is not MachineState.HELD and self.row[0] is None

    def print_bag(
        self, label: Label, job_id: str = "", size_mm: tuple[float, float] | None = None
    ) -> list[Signal]:
        """Move the row by one and print a bag. What stood at the loading place is sealed first."""
        signals = self.seal()
        bag = Bag(len(self.printed) + 1, job_id, label.codes, label.texts, size_mm)
        self.printed.append(bag)
        del self.row[0]
        self.row.append(bag)
        if job_id:
            self.remembers.add(job_id)
        signals.append(
            Signal(
                kind=SignalKind.PRINTED,
                job_id=job_id or None,
                position=self.bags_ahead,
                code=label.codes[0] if label.codes else "",
            )
        )
        return signals

    def seal(self) -> list[Signal]:
        """Load and seal the bag at the loading place; it leaves."""
        bag, self.row[0] = self.row[0], None
        if bag is None:
            return []
        self.left.append(bag)
        return [Signal(kind=SignalKind.SEALED, job_id=bag.job_id or None, position=0)]

    def advance(self) -> list[Signal]:
        """Move the row by one without printing; a bag at the loading place is sealed first."""
        signals = self.seal()
        del self.row[0]
        self.row.append(None)
        return [*signals, Signal(kind=SignalKind.BAG_ADVANCED)]

    def pull(self, position: int) -> list[Signal]:
        """Take a bag out: those behind it move up, so each meets the goods of its neighbour."""
        bag = self.row[position]
        if bag is None:
            return []
        self.pulled.append(bag)
        del self.row[position]
        self.row.append(None)
        return [Signal(kind=SignalKind.BAG_PULLED, position=position, job_id=bag.job_id or None)]

    def swap(self, first: int, second: int) -> None:
        """Two bags change places, as when a person lays them back wrongly."""
        self.row[first], self.row[second] = self.row[second], self.row[first]

    def relabel(self, position: int, codes: tuple[str, ...]) -> None:
        """Someone stuck a foreign label on the bag at this place."""
        bag = self.row[position]
        if bag is None:
            raise ValueError(f"there is no printed bag at position {position}")
        self.row[position] = replace(bag, codes=codes)
