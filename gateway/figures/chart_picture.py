"""Where the lines and dots of a control chart lie in a picture, for a page and for a paper."""

from dataclasses import dataclass

from gateway.figures.control_chart import PChart

Spot = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Dot:
    """One sample."""

    x: float
    y: float
    label: str
    out: bool


@dataclass(frozen=True, slots=True)
class ChartPicture:
    """Coordinates from the upper left, y downwards; the upper edge stands for `top` per million."""

    width: float
    height: float
    top: float
    centre_y: float
    upper: tuple[Spot, ...]
    lower: tuple[Spot, ...]
    dots: tuple[Dot, ...]


def chart_picture(chart: PChart, width: float, height: float) -> ChartPicture:
    """Lay the chart out over the whole of width and height."""
    highest = max(max(point.share, point.upper) for point in chart.points)
    top = 1.08 * highest or 1.0
    step = width / len(chart.points)

    def y(share: float) -> float:
        return round(height * (1 - share / top), 2)

    def stairs(shares: list[float]) -> tuple[Spot, ...]:
        """Each sample has limits of its own: a step over its width."""
        return tuple(
            (round(at * step, 2), y(share))
            for number, share in enumerate(shares)
            for at in (number, number + 1)
        )

    return ChartPicture(
        width=width,
        height=height,
        top=1e6 * top,
        centre_y=y(chart.centre),
        upper=stairs([point.upper for point in chart.points]),
        lower=stairs([point.lower for point in chart.points]),
        dots=tuple(
            Dot(
                round((number + 0.5) * step, 2),
                y(point.share),
                f"{point.label}: {point.bad} of {point.checked}",
                bool(point.signals),
            )
            for number, point in enumerate(chart.points)
        ),
    )
