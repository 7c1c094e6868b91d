"""Like pieces in a block: rows, columns and layers of one pose, or a nested pile."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil

from gateway.fit.pieces import Kind, Pose


@dataclass(frozen=True, slots=True)
class Block:
    """So many pieces of one kind in one pose, in a grid; extents in mm."""

    kind: int
    pose: Pose
    rows: tuple[int, int, int]
    """Pieces along, across and up; the last layer may be part filled."""
    pieces: int
    steps: tuple[float, float, float]
    """From one piece to the next in each direction."""

    size: tuple[float, float, float]
    """Extents along, across, up."""

    def turned(self) -> "Block":
        """The block after a quarter turn on the table."""
        return Block(
            self.kind,
            self.pose.turned(),
            (self.rows[1], self.rows[0], self.rows[2]),
            self.pieces,
            (self.steps[1], self.steps[0], self.steps[2]),
            (self.size[1], self.size[0], self.size[2]),
        )

    def bulk(self) -> Iterator[tuple[float, float, float, float, float, float]]:
        """The same goods as at most three solids: full layers, full rows, a part row."""
        a, b, _ = self.rows
        layers, rest = divmod(self.pieces, a * b)
        full_rows, part = divmod(rest, a)
        for nx, ny, nz, y, z in (
            (a, b, layers, 0, 0),
            (a, full_rows, 1, 0, layers),
            (part, 1, 1, full_rows, layers),
        ):
            if nx and ny and nz:
                yield (
                    0.0,
                    y * self.steps[1],
                    z * self.steps[2],
                    self.pose.along + (nx - 1) * self.steps[0],
                    self.pose.across + (ny - 1) * self.steps[1],
                    self.pose.up + (nz - 1) * self.steps[2],
                )

    def corners(self) -> Iterator[tuple[float, float, float, float, float, float]]:
        """For each piece x, y, z of its corner and its extents; nested pieces count their step."""
        first = (self.pose.along, self.pose.across, self.pose.up)
        left = self.pieces
        for k in range(self.rows[2]):
            for j in range(self.rows[1]):
                for i in range(self.rows[0]):
                    if left == 0:
                        return
                    left -= 1
                    at = [0.0, 0.0, 0.0]
                    extent = list(first)
                    for axis, nth in enumerate((i, j, k)):
                        step = self.steps[axis]
                        at[axis] = nth * step
                        if nth and step < first[axis]:
                            at[axis] = first[axis] + (nth - 1) * step
                            extent[axis] = step
                    yield at[0], at[1], at[2], extent[0], extent[1], extent[2]


def single(kind: int, pose: Pose) -> Block:
    """A block of one piece."""
    size = pose.along, pose.across, pose.up
    return Block(kind, pose, (1, 1, 1), 1, size, size)


def blocks_of(kind: int, alike: Kind, pieces: int) -> list[Block]:
    """Every grid that holds the pieces with no row, column or layer to spare."""
    if pieces == 1:
        return [single(kind, pose) for pose in alike.poses]
    found = [
        _block(kind, alike, pose, rows, pieces)
        for pose in alike.poses
        for rows in _grids(pieces)
        if rows[2] <= _most_layers(alike)
    ]
    return [block if block.size[0] <= block.size[1] else block.turned() for block in found]


def _most_layers(alike: Kind) -> int:
    """On a fragile piece lies no more than its own mass; where no mass is known, nothing."""
    if not alike.fragile:
        return 1_000_000
    return 2 if alike.mass_g is not None else 1


def _block(kind: int, alike: Kind, pose: Pose, rows: tuple[int, int, int], pieces: int) -> Block:
    steps = [pose.along, pose.across, pose.up]
    if alike.nest_step_mm is not None:
        steps[pose.pile] = min(steps[pose.pile], alike.nest_step_mm)
    size = (
        pose.along + (rows[0] - 1) * steps[0],
        pose.across + (rows[1] - 1) * steps[1],
        pose.up + (rows[2] - 1) * steps[2],
    )
    return Block(kind, pose, rows, pieces, (steps[0], steps[1], steps[2]), size)


def _grids(pieces: int) -> Iterator[tuple[int, int, int]]:
    for along in range(1, pieces + 1):
        for across in range(1, ceil(pieces / along) + 1):
            up = ceil(pieces / (along * across))
            if ceil(pieces / (along * up)) < across or ceil(pieces / (across * up)) < along:
                continue
            yield along, across, up
