"""`--dpi`, as a print head's density is spoken of."""

from typing import Annotated

import typer

Dpi = Annotated[
    float, typer.Option("--dpi", help="Density of the printer's head.", min=127, max=1270)
]
_MM_PER_INCH = 25.4


def dots_per_mm(dpi: float) -> float:
    """203 and 204 dpi heads have 8 dots per mm by the trade's own figures; others are divided."""
    return 8.0 if round(dpi) in {203, 204} else round(dpi / _MM_PER_INCH, 3)
