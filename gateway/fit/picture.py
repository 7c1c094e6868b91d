"""A parcel as a picture: from above, from the side, from the end, with the hull that film spans."""

from collections.abc import Callable, Iterator, Sequence
from html import escape

from gateway.fit.hull import (
    Point,
    convex_hull,
    ellipse_corners,
    rectangle_corners,
    stadium_corners,
)
from schemas.decision import Parcel, Piece

_MARGIN = 26.0
_GAP = 54.0
_FILLS = ("#d9b44a", "#7fa99b", "#c98986", "#8fa3c7", "#b6b183", "#a98fb5", "#d6a46a", "#8db580")

Rectangle = tuple[float, float, float, float]
"""Left, top as seen on paper, width, height."""
View = Callable[[Piece], tuple[float, float, float, float]]


def draw(parcel: Parcel, title: str = "") -> str:
    """The parcel as an SVG document, to scale in mm. It needs no style sheet and no font file."""
    bag = parcel.bag
    along, across, up = parcel.goods_size_mm
    high = max(up, 1.0)
    width = bag.length_mm + _GAP + max(across, bag.width_mm - up) + 2 * _MARGIN
    height = bag.width_mm + _GAP + high + 2 * _MARGIN + 30
    colours = _colours(parcel.pieces)
    text = title or f"{bag.id} {bag.width_mm:.0f} x {bag.length_mm:.0f} mm"
    left, top = _MARGIN + (bag.length_mm - along) / 2, _MARGIN + 24
    floor = top + bag.width_mm + _GAP + high
    parts = [
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.1f} {height:.1f}"'
            f' width="{width:.1f}mm" height="{height:.1f}mm"'
            ' role="img" font-family="sans-serif" font-size="13" fill="#333">'
        ),
        f"<title>{escape(text)}</title>",
        f'<rect width="{width:.1f}" height="{height:.1f}" fill="#fff"/>',
        f'<text x="{_MARGIN}" y="{_MARGIN}">{escape(text)}: from above</text>',
        (
            f'<rect x="{_MARGIN}" y="{top}" width="{bag.length_mm}" height="{bag.width_mm}"'
            ' fill="#f4f4f1" stroke="#777" stroke-dasharray="6 4"/>'
        ),
        *_goods(parcel, _from_above, colours, (left, top + (bag.width_mm - across) / 2)),
        f'<text x="{_MARGIN}" y="{floor - high - 12:.1f}">from the side</text>',
        *_band(parcel, _from_side, (left, floor)),
        *_goods(parcel, _from_side, colours, (left, floor)),
        *_end(parcel, colours, floor, high),
        "</svg>",
    ]
    return "\n".join(parts)


def _end(parcel: Parcel, colours: dict[str, str], floor: float, high: float) -> Iterator[str]:
    left = _MARGIN + parcel.bag.length_mm + _GAP
    yield f'<text x="{left:.1f}" y="{floor - high - 12:.1f}">from the end</text>'
    yield from _band(parcel, _from_end, (left, floor))
    yield from _goods(parcel, _from_end, colours, (left, floor))


def _from_above(piece: Piece) -> Rectangle:
    return piece.x_mm, piece.y_mm, piece.dx_mm, piece.dy_mm


def _from_side(piece: Piece) -> Rectangle:
    return piece.x_mm, piece.z_mm, piece.dx_mm, piece.dz_mm


def _from_end(piece: Piece) -> Rectangle:
    return piece.y_mm, piece.z_mm, piece.dy_mm, piece.dz_mm


def _outline(piece: Piece, view: View) -> Sequence[Point]:
    """What the film sees; a round section is drawn with its own polygon."""
    x, y, dx, dy = view(piece)
    if piece.shape == "cylinder" and abs(dx - dy) < 1e-6:
        return ellipse_corners(x, y, dx, dy)
    if piece.shape == "soft" and view is not _from_above:
        return stadium_corners(x, y, dx, dy)
    return rectangle_corners(x, y, dx, dy)


def _goods(
    parcel: Parcel, view: View, colours: dict[str, str], at: tuple[float, float]
) -> Iterator[str]:
    """Pieces as seen; in the two lower views `at` is the floor and up is up."""
    rises = view is not _from_above
    nearest_last = sorted(parcel.pieces, key=lambda p: p.z_mm if not rises else -p.y_mm)
    for piece in nearest_last:
        name = f"{piece.line_id} piece {piece.piece}"
        points = _on_paper(convex_hull(_outline(piece, view)), at, rises=rises)
        yield (
            f'<polygon points="{points}" fill="{colours[piece.line_id]}" fill-opacity="0.82"'
            f' stroke="#333" stroke-width="0.8"><title>{escape(name)}</title></polygon>'
        )
        x, y, dx, dy = view(piece)
        if view is _from_above and dx > 30 and dy > 16:
            yield (
                f'<text x="{at[0] + x + dx / 2:.1f}" y="{at[1] + y + dy / 2 + 4:.1f}"'
                f' text-anchor="middle" font-size="11">{escape(piece.line_id[:12])}</text>'
            )


def _band(parcel: Parcel, view: View, at: tuple[float, float]) -> Iterator[str]:
    corners = [point for piece in parcel.pieces for point in _outline(piece, view)]
    points = _on_paper(convex_hull(corners), at, rises=True)
    yield (
        f'<polygon points="{points}" fill="none" stroke="#1f5fa8" stroke-width="5"'
        ' stroke-linejoin="round" stroke-opacity="0.55"/>'
    )


def _on_paper(points: Sequence[Point], at: tuple[float, float], *, rises: bool) -> str:
    sign = -1 if rises else 1
    return " ".join(f"{at[0] + x:.1f},{at[1] + sign * y:.1f}" for x, y in points)


def _colours(pieces: Sequence[Piece]) -> dict[str, str]:
    lines = list(dict.fromkeys(piece.line_id for piece in pieces))
    return {line: _FILLS[number % len(_FILLS)] for number, line in enumerate(lines)}
