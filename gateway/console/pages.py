"""All pages of the console, as routers for the composition root."""

from fastapi import APIRouter

from gateway.console import (
    figures,
    floor,
    goods,
    ledger,
    mislabels,
    orders,
    search,
    site,
    waiting,
)
from gateway.console.parts import Parts


def routers(parts: Parts) -> list[APIRouter]:
    """Every router of the pages."""
    return [
        parts.frame.assets.routes(),
        floor.routes(parts),
        floor.acting(parts),
        waiting.routes(parts),
        orders.routes(parts),
        mislabels.routes(parts),
        search.routes(parts),
        figures.routes(parts),
        goods.routes(parts),
        ledger.routes(parts),
        site.routes(parts),
    ]
