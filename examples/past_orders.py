"""An invented week of the demo's shop, as a WMS would hand out its past orders.

    python examples/past_orders.py > past.jsonl

One order a line with the time of its scan. The same seed gives the same week. A few articles make
most of the orders, mornings and early afternoons are busy, and Monday is the worst.
"""

import argparse
import random
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "examples")]

from articles import catalogue  # noqa: E402
from orders import NOT_BAGGED, PEOPLE  # noqa: E402

from schemas.goods import Item  # noqa: E402
from schemas.order import Address, Line, Order  # noqa: E402
from schemas.study import PastOrder  # noqa: E402

FIRST_DAY = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
BY_HOUR = (3, 8, 11, 9, 5, 10, 9, 6, 3)
"""How the orders of a day spread over its hours."""
BY_DAY = (1.5, 1.1, 0.9, 0.9, 0.8)
LINES = ((1, 0.58), (2, 0.25), (3, 0.11), (4, 0.06))
SELDOM = (*NOT_BAGGED, "7005", "7006")
PIECES = ((1, 0.86), (2, 0.10), (3, 0.04))


def past_orders(count: int = 3000, seed: int = 9521234) -> Iterator[PastOrder]:
    """So many orders, by time."""
    chance = random.Random(seed)
    articles = list(catalogue().values())
    chance.shuffle(articles)
    popular = [
        (0.05 if item.sku.removeprefix("TW-") in SELDOM else 1.0) / (rank + 3)
        for rank, item in enumerate(articles)
    ]
    for number, at in enumerate(sorted(_times(chance, count))):
        items = _items(chance, articles, popular)
        yield PastOrder(at=at, order=_order(chance, number, items))


def _times(chance: random.Random, count: int) -> Iterator[datetime]:
    days = chance.choices(range(len(BY_DAY)), BY_DAY, k=count)
    hours = chance.choices(range(len(BY_HOUR)), BY_HOUR, k=count)
    for day, hour in zip(days, hours, strict=True):
        second = chance.randrange(3600)
        yield FIRST_DAY + timedelta(days=day, hours=hour, seconds=second)


def _items(chance: random.Random, articles: list[Item], popular: list[float]) -> list[Item]:
    lines = chance.choices([n for n, _ in LINES], [share for _, share in LINES])[0]
    return list({item.sku: item for item in chance.choices(articles, popular, k=lines)}.values())


def _order(chance: random.Random, number: int, items: list[Item]) -> Order:
    name, street, city, country = chance.choice(PEOPLE)
    return Order(
        order_id=f"SO-{300000 + number}",
        ship_to=Address(name=name, lines=(street,), city=city, country=country),
        service=chance.choices(("road", "air"), (0.85, 0.15))[0],
        lines=tuple(
            Line(line_id=f"{place}", item=item, quantity=_pieces(chance))
            for place, item in enumerate(items, 1)
        ),
    )


def _pieces(chance: random.Random) -> int:
    return chance.choices([n for n, _ in PIECES], [share for _, share in PIECES])[0]


def main() -> None:
    """Print the orders, one JSON object a line."""
    options = argparse.ArgumentParser(description="Invented past orders.")
    options.add_argument("--orders", type=int, default=3000)
    options.add_argument("--seed", type=int, default=9521234)
    given = options.parse_args()
    for past in past_orders(given.orders, given.seed):
        print(past.model_dump_json(exclude_defaults=True))


if __name__ == "__main__":
    main()
