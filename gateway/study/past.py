"""Past orders, each counted once, and alike ones asked once: what decides about a bag is kept of
them, names and addresses are not."""

from collections import Counter
from collections.abc import Collection, Hashable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from gateway.study.errors import StudyWrong
from schemas.base import Slug
from schemas.goods import Item
from schemas.order import Address, Line, Order, Purpose, SuppliedLabel
from schemas.rules import Rule
from schemas.study import PastOrder


@dataclass(frozen=True, slots=True)
class Call:
    """One order of the past: when its scan came, and what was in it."""

    at: datetime | None
    content: int
    """Place in `Past.contents`."""


@dataclass(frozen=True, slots=True)
class Past:
    """All orders of a study. Nothing in it depends on the order of the lines they came in."""

    contents: tuple[Order, ...]
    """One order for each different content, without a name, an address or a label's content."""
    counts: tuple[int, ...]
    """How many orders have that content."""
    calls: tuple[Call, ...]
    """By time; orders without one come first."""
    repeated: int
    """Orders that were named again and left out."""

    @property
    def timed(self) -> bool:
        """Whether every order has its time."""
        return all(call.at is not None for call in self.calls)

    def taken_by(self, purposes: Collection[Purpose]) -> "Past":
        """The orders of these purposes alone."""
        left = [n for n, order in enumerate(self.contents) if order.purpose in purposes]
        place = {content: rank for rank, content in enumerate(left)}
        return Past(
            contents=tuple(self.contents[n] for n in left),
            counts=tuple(self.counts[n] for n in left),
            calls=tuple(Call(c.at, place[c.content]) for c in self.calls if c.content in place),
            repeated=self.repeated,
        )


class Gathering:
    """Takes past orders one after the other, so that a month of them need not be held at once.

    Of tags and countries only those count that one of the site's rules asks for.
    """

    def __init__(self, rules: Iterable[Rule]) -> None:
        conditions = [rule.when.order for rule in rules]
        self._countries = frozenset(place for one in conditions for place in one.country)
        self._tags = frozenset(tag for one in conditions for tag in one.any_tag)
        self._plain: dict[Item, Item] = {}
        self._contents: dict[Hashable, int] = {}
        self._orders: list[Order] = []
        self._seen: dict[str, Call] = {}
        self._repeated = 0

    def take(self, past: PastOrder) -> None:
        """Count an order. An id that came before is the same order: its earliest time counts.

        Raises `StudyWrong` where the same id comes with other goods.
        """
        content = self._content_of(past.order)
        name, before = past.order.order_id, self._seen.get(past.order.order_id)
        if before is None:
            self._seen[name] = Call(past.at, content)
            return
        if before.content != content:
            raise StudyWrong(
                f"order {name} comes twice with different goods, service, place or tags: take one"
                " of the two out"
            )
        self._repeated += 1
        earlier = past.at is not None and (before.at is None or past.at < before.at)
        if earlier:
            self._seen[name] = Call(past.at, content)

    def _content_of(self, order: Order) -> int:
        """The number of all orders that agree in everything that may decide about a bag."""
        goods = self._goods(order)
        tags = self._tags.intersection(order.tags)
        country = order.ship_to.country if order.ship_to else None
        country = country if country in self._countries else None
        faces = tuple((label.width_mm, label.height_mm) for label in order.labels)
        key = frozenset(goods.items()), order.purpose, order.service, tags, country, faces
        content = self._contents.get(key)
        if content is None:
            content = self._contents[key] = len(self._orders)
            self._orders.append(_bare(order, goods, tags, country))
        return content

    def _goods(self, order: Order) -> dict[Item, int]:
        """Articles without their words, and their numbers, whatever lines they stand on."""
        goods: dict[Item, int] = {}
        for line in order.lines:
            item = self._plain.get(line.item)
            if item is None:
                item = line.item.model_copy(update={"description": "", "gtin": None})
                self._plain[line.item] = item
            goods[item] = goods.get(item, 0) + line.quantity
        return goods

    def done(self) -> Past:
        """Everything that was taken. Raises `StudyWrong` where that is nothing."""
        if not self._seen:
            raise StudyWrong("there are no orders to study: give one JSON object a line")
        # contents with the same goods follow each other, so that their front is still at hand
        texts = [_text_of(order) for order in self._orders]
        ranked = sorted(range(len(texts)), key=texts.__getitem__)
        place = {content: rank for rank, content in enumerate(ranked)}
        calls = [Call(call.at, place[call.content]) for call in self._seen.values()]
        calls.sort(key=lambda call: (call.at is not None, call.at or _EPOCH, call.content))
        counts = Counter(call.content for call in calls)
        return Past(
            contents=tuple(self._orders[content] for content in ranked),
            counts=tuple(counts[rank] for rank in range(len(ranked))),
            calls=tuple(calls),
            repeated=self._repeated,
        )


_EPOCH = datetime.min.replace(tzinfo=UTC)


def _bare(
    order: Order, goods: Mapping[Item, int], tags: Collection[Slug], country: str | None
) -> Order:
    """The order with nothing else in it; its articles in an order of their own."""
    ranked = sorted(goods.items(), key=lambda pair: pair[0].model_dump_json())
    return Order.model_construct(
        order_id="past",
        purpose=order.purpose,
        ship_to=_somewhere(country) if country else None,
        service=order.service,
        lines=tuple(
            Line.model_construct(line_id=str(number), item=item, quantity=quantity)
            for number, (item, quantity) in enumerate(ranked, 1)
        ),
        labels=tuple(_blank(label) for label in order.labels),
        tags=tuple(sorted(tags)),
    )


def _somewhere(country: str) -> Address:
    return Address(name="-", lines=("-",), country=country)


def _blank(label: SuppliedLabel) -> SuppliedLabel:
    return label.model_copy(update={"content": b"-", "expected_scans": ()})


def _text_of(order: Order) -> str:
    goods = "".join(f"{line.item.model_dump_json()}{line.quantity}" for line in order.lines)
    rest = order.model_dump_json(exclude={"lines"})
    return goods + rest
