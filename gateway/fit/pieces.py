"""From the lines of an order to pieces, and the ways in which each piece may lie."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import permutations

from schemas.decision import Reason, ReasonCode
from schemas.goods import Item, MeasuredSize, Shape, SoftSection, Turn
from schemas.order import Line

ABSURD_MM = 5_000.0
"""A side beyond this is a typing error: no bag station takes it (common practice, no source)."""


class Section(StrEnum):
    """What the film sees of a piece in one view."""

    RECTANGLE = "rectangle"
    DISC = "disc"
    STADIUM = "stadium"
    ELLIPSE = "ellipse"


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


@dataclass(frozen=True, slots=True)
class Kind:
    """Everything about a piece that matters for its place; pieces of one kind are alike."""

    poses: tuple[Pose, ...]
    """Turned so that `along` is not longer than `across`; a quarter turn is always allowed."""
    volume_mm3: float
    mass_g: float | None
    fragile: bool
    nest_step_mm: float | None
    shape: Shape


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
            text=f"line {line.line_id}: article {item.sku} is {longest:.0f} mm long in the"
            " catalogue; check the unit",
            needed=longest,
            available=ABSURD_MM,
            unit="mm",
        )
    return None


def kind_of(item: Item, measured: MeasuredSize | None = None) -> Kind:
    """How pieces of an article may lie. A measured size stands for the catalogue's.

    Raises ValueError when no size is known: callers check first and give a reason.
    """
    states: list[tuple[float, float, float]]
    tolerance = item.size_tolerance_mm
    mass = item.mass_g
    if measured is not None:
        states, tolerance = [measured.size.in_mm()], 0.0
        mass = measured.mass_g if measured.mass_g is not None else mass
    elif item.size is not None:
        states = [item.size.in_mm(), *(state.in_mm() for state in item.folded_states)]
    else:
        raise ValueError(f"article {item.sku} has no size")
    give = 1.0 if measured is not None else item.compresses_to
    poses: list[Pose] = []
    for length, width, height in states:
        size = (length + tolerance, width + tolerance, (height + tolerance) * give)
        poses += _poses(item, size)
    kept = _undominated(poses)
    return Kind(
        poses=tuple(kept),
        volume_mm3=min(_volume(item, pose) for pose in kept),
        mass_g=mass,
        fragile=item.handling.fragile,
        nest_step_mm=item.nest_step_mm,
        shape=item.shape,
    )


def _volume(item: Item, pose: Pose) -> float:
    round_share = 0.785 if item.shape is Shape.CYLINDER else 1.0
    return pose.along * pose.across * pose.up * round_share


def _poses(item: Item, size: tuple[float, float, float]) -> list[Pose]:
    poses = []
    for order in permutations(range(3)):
        if order[2] not in _may_stand_up(item, size):
            continue
        along, across, up = (size[axis] for axis in order)
        if along > across:
            continue
        poses.append(
            Pose(
                along,
                across,
                up,
                end=_section(item, order[0]),
                side=_section(item, order[1]),
                pile=order.index(2) if item.nest_step_mm else 2,
            )
        )
    return poses


def _may_stand_up(item: Item, size: tuple[float, float, float]) -> tuple[int, ...]:
    turn = item.handling.turn
    if turn in {Turn.FLAT_ONLY, Turn.THIS_SIDE_UP}:
        return (2,)
    if turn is Turn.NEVER_ON_EDGE or item.shape is Shape.FLAT:
        thin = min(size)
        return tuple(axis for axis in range(3) if size[axis] <= thin)
    return (0, 1, 2)


def _section(item: Item, hidden: int) -> Section:
    """What a view shows that looks along the piece's own axis `hidden`."""
    if item.shape is Shape.CYLINDER:
        return Section.DISC if hidden == 0 else Section.RECTANGLE
    if item.shape is Shape.SOFT and hidden != 2:
        rounded = item.soft_section is SoftSection.ELLIPSE
        return Section.ELLIPSE if rounded else Section.STADIUM
    return Section.RECTANGLE


def _undominated(poses: list[Pose]) -> list[Pose]:
    """Poses that are not longer, wider and higher than another with the same sections."""
    kept: list[Pose] = []
    for pose in sorted(set(poses), key=lambda p: (p.along, p.across, p.up, p.end, p.side, p.pile)):
        covered = any(
            k.along <= pose.along
            and k.across <= pose.across
            and k.up <= pose.up
            and (k.end, k.side, k.pile) == (pose.end, pose.side, pose.pile)
            for k in kept
        )
        if not covered:
            kept.append(pose)
    return kept
