"""From the lines of an order to pieces, and the ways in which each piece may lie."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from math import isfinite, pi

from schemas.decision import Reason, ReasonCode
from schemas.goods import Item, MeasuredSize, Shape, Size, SoftSection, Turn
from schemas.order import Line

ABSURD_MM = 5_000.0
"""A side beyond this is a typing error: no bag station takes it (common practice, no source)."""


class Section(StrEnum):
    """What the film sees of a piece in one view."""

    RECTANGLE = "rectangle"
    DISC = "disc"
    STADIUM = "stadium"
    ELLIPSE = "ellipse"


State = tuple[float, float, float]
"""Length, width, height of a piece in one of its states, mm."""
_FLAT = Section.RECTANGLE
_SECTIONS = {
    Shape.BOX: (_FLAT, _FLAT, _FLAT),
    Shape.FLAT: (_FLAT, _FLAT, _FLAT),
    Shape.CYLINDER: (Section.DISC, _FLAT, _FLAT),
}
"""What shows of a piece that is looked at along its own length, width, height."""
_FILLED = {Shape.CYLINDER: pi / 4, Shape.SOFT: (pi / 4) ** 2}
"""Share of its box that a shape surely fills; a soft piece may be round in both views."""


@dataclass(frozen=True, slots=True)
class Pose:
    """One way to lay a piece: its extents, mm, and what shows in the two views that matter."""

    along: float
    across: float
    up: float
    end: Section = Section.RECTANGLE
    """The view along the bag: across and up."""
    side: Section = Section.RECTANGLE
    """The view across the bag: along and up."""
    pile: int = 2
    """The direction, 0 along, 1 across, 2 up, in which nested pieces pile."""

    def turned(self) -> "Pose":
        """The same pose after a quarter turn on the table."""
        pile = (1, 0, 2)[self.pile]
        return Pose(self.across, self.along, self.up, self.side, self.end, pile)


@dataclass(frozen=True, slots=True, eq=False)
class Kind:
    """Everything about a piece that matters for its place; pieces of one kind are alike."""

    poses: tuple[Pose, ...]
    """Turned so that `along` is not longer than `across`; a quarter turn is always allowed."""
    volume_mm3: float
    filled_mm3: float
    """What the piece surely fills: a round piece less than its box."""
    mass_g: float | None
    fragile: bool
    nest_step_mm: float | None
    shape: Shape
    key: tuple[object, ...]
    """Kinds with the same key are the same."""

    def bears(self, other: "Kind") -> bool:
        """Whether a piece of the other kind may lie on it: on fragile goods nothing heavier."""
        if not self.fragile:
            return True
        known = self.mass_g is not None and other.mass_g is not None
        return known and (other.mass_g or 0.0) <= (self.mass_g or 0.0)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Kind) and self.key == other.key

    def __hash__(self) -> int:
        return hash(self.key)


@dataclass(frozen=True, slots=True)
class Member:
    """One piece of the order: what it is, and which line and count it answers to."""

    kind: Kind
    item: Item
    line_id: str
    number: int


def gather(
    lines: Sequence[Line], measured: MeasuredSize | None, most: int
) -> tuple[list[Member], list[Reason]]:
    """The pieces of an order, or the reasons why they can't be laid out by calculation."""
    count = sum(line.quantity for line in lines)
    if count > most:
        text = f"{count} pieces are more than the {most} that are packed by calculation"
        return [], [
            Reason(
                code=ReasonCode.TOO_MANY_PIECES,
                text=text,
                needed=count,
                available=most,
                unit="pieces",
            )
        ]
    reasons = [reason for line in lines if (reason := _unusable(line, measured))]
    if reasons:
        return [], reasons
    members: list[Member] = []
    for line in lines:
        kind = kind_of(line.item, measured)
        members += [
            Member(kind, line.item, line.line_id, number + 1) for number in range(line.quantity)
        ]
    return members, []


def _unusable(line: Line, measured: MeasuredSize | None) -> Reason | None:
    item = line.item
    size = measured.size if measured else item.size
    if size is None:
        return Reason(
            code=ReasonCode.NO_SIZE,
            text=f"line {line.line_id}: article {item.sku} has no size in the catalogue;"
            " measure it and add it",
        )
    longest = max(size.in_mm())
    if longest > ABSURD_MM:
        return Reason(
            code=ReasonCode.SIZE_ABSURD,
            text=f"line {line.line_id}: article {item.sku} is {longest:.7g} mm long in the"
            " catalogue; check the unit",
            needed=longest if isfinite(longest) else None,
            available=ABSURD_MM,
            unit="mm",
        )
    return None


def kind_of(item: Item, measured: MeasuredSize | None = None) -> Kind:
    """How pieces of an article may lie. A measured size stands for the catalogue's.

    Raises ValueError when no size is known: callers check first and give a reason.
    """
    tolerance, give, mass = item.size_tolerance_mm, item.compresses_to, item.mass_g
    if measured is not None:
        sizes: tuple[Size, ...] = (measured.size,)
        tolerance, give = 0.0, 1.0
        mass = measured.mass_g if measured.mass_g is not None else mass
    elif item.size is not None:
        sizes = (item.size, *item.folded_states)
    else:
        raise ValueError(f"article {item.sku} has no size")
    states = []
    for size in sizes:
        length, width, height = size.in_mm()
        states.append((length + tolerance, width + tolerance, (height + tolerance) * give))
    return kind_with(
        tuple(states),
        item.shape,
        item.soft_section,
        item.handling.turn,
        mass,
        item.handling.fragile,
        item.nest_step_mm,
    )


@lru_cache(maxsize=16_384)
def kind_with(
    states: tuple[State, ...],
    shape: Shape,
    soft: SoftSection,
    turn: Turn,
    mass_g: float | None,
    fragile: bool,
    nest_step_mm: float | None,
) -> Kind:
    """The kind of a piece with these states and this handling; worked out once for each."""
    key = (
        states,
        shape.value,
        soft.value,
        turn.value,
        -1.0 if mass_g is None else mass_g,
        fragile,
        nest_step_mm or -1.0,
    )
    rounded = Section.ELLIPSE if soft is SoftSection.ELLIPSE else Section.STADIUM
    sections = _SECTIONS[shape] if shape is not Shape.SOFT else (rounded, rounded, _FLAT)
    poses = [
        pose
        for state in states
        for pose in _poses(state, sections, _may_stand_up(turn, shape, state), nest_step_mm)
    ]
    volume = min(state[0] * state[1] * state[2] for state in states)
    if nest_step_mm is not None:
        volume *= min(1.0, nest_step_mm / max(state[2] for state in states))
    return Kind(
        poses=_undominated(poses) if len(states) > 1 else tuple(dict.fromkeys(poses)),
        volume_mm3=volume,
        filled_mm3=volume * _FILLED.get(shape, 1.0),
        mass_g=mass_g,
        fragile=fragile,
        nest_step_mm=nest_step_mm,
        shape=shape,
        key=key,
    )


def _poses(
    state: State,
    sections: tuple[Section, Section, Section],
    standing: Sequence[int],
    nest_step_mm: float | None,
) -> Iterator[Pose]:
    """For each own axis that may stand up, the pose with its shorter side along the bag."""
    for up in standing:
        along, across = (axis for axis in range(3) if axis != up)
        if state[along] > state[across]:
            along, across = across, along
        pile = 2 if nest_step_mm is None else (along, across, up).index(2)
        yield Pose(
            state[along],
            state[across],
            state[up],
            end=sections[along],
            side=sections[across],
            pile=pile,
        )


def _may_stand_up(turn: Turn, shape: Shape, state: State) -> Sequence[int]:
    if turn in {Turn.FLAT_ONLY, Turn.THIS_SIDE_UP}:
        return (2,)
    if turn is Turn.NEVER_ON_EDGE or shape is Shape.FLAT:
        return (state.index(min(state)),)
    return (0, 1, 2)


def _undominated(poses: Sequence[Pose]) -> tuple[Pose, ...]:
    """Poses that are not longer, wider and higher than another with the same sections."""
    return tuple(
        pose
        for number, pose in enumerate(poses)
        if not any(
            other.along <= pose.along
            and other.across <= pose.across
            and other.up <= pose.up
            and (other.end, other.side, other.pile) == (pose.end, pose.side, pose.pile)
            and (other != pose or before < number)
            for before, other in enumerate(poses)
            if before != number
        )
    )
