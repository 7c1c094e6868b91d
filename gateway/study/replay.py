"""Past contents asked of the fit, each question once: what would this take with those bags?"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from math import inf
from types import MappingProxyType

from gateway.fit import Room, decide
from gateway.fit.bags import film_price
from schemas.base import BagId, Sku
from schemas.decision import Decision, Outcome, Parcel, Reason, ReasonCode
from schemas.order import Line, Order
from schemas.rules import Aim
from schemas.station import Load, Station

_HAIR = 1e-9
"""Sums of floats that differ by this share are level."""


@dataclass(frozen=True, slots=True)
class Bagged:
    """One parcel in numbers."""

    bag: BagId
    length_mm: float
    film_mm2: float
    film_g: float
    price: float | None
    """Of the bag or its film."""
    cost: float | None
    """Bag, label and service."""
    void: float
    pieces: int

    def rank(self, aim: Aim) -> tuple[float, float, float]:
        """As the fit ranks what it may choose: smaller is better."""
        cost = inf if self.cost is None else self.cost
        if aim is Aim.LEAST_COST:
            return cost, self.film_mm2, self.film_g
        return self.film_mm2, self.film_g, cost


@dataclass(frozen=True, slots=True)
class Answer:
    """What the fit says to one content."""

    parcels: tuple[Bagged, ...]
    """None where the order goes to manual packing."""


Row = Mapping[BagId, float]
"""What one parcel's goods take in each candidate that holds them, by the aim: mm2 or money."""


@dataclass(frozen=True, slots=True)
class Cause:
    """Why no candidate takes an order, and the article that is to blame where it is one."""

    reason: Reason
    sku: Sku | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """What one content needs of a stock, found with all candidates at hand."""

    rows: tuple[Row, ...] = ()
    """One for each parcel; none where no candidate takes the order."""
    cause: Cause | None = None
    """Where none does."""


@dataclass
class Replay:
    """Asks the fit on behalf of one station and remembers; each answer is the fit's own."""

    room: Room
    station: Station
    contents: Sequence[Order]
    aim: Aim
    on: date | None = None
    """The day whose dated rules of services count."""
    _answers: dict[tuple[int, tuple[BagId, ...]], Answer] = field(
        default_factory=dict, init=False, repr=False
    )

    def answer(self, content: int, bags: tuple[BagId, ...]) -> Answer:
        """The fit's answer to a content with just these bags loaded."""
        key = content, bags
        if key not in self._answers:
            decision = self._decide(self.contents[content], bags)
            self._answers[key] = Answer(tuple(map(self._bagged, decision.parcels)))
        return self._answers[key]

    def answer_with(self, content: int, wanted: Wanted, bags: tuple[BagId, ...]) -> Answer:
        """The same as `answer`, without asking again what is known: which bag is best for an order
        that goes into one, and that no few candidates take what all together do not."""
        if not wanted.rows:
            return Answer(())
        row = wanted.rows[0] if len(wanted.rows) == 1 else {}
        holding = [bag for bag in bags if bag in row]
        if not holding:
            return self.answer(content, bags)
        least = min(row[bag] for bag in holding)
        level = [bag for bag in holding if row[bag] <= least + _HAIR * max(1.0, least)]
        answers = [self.answer(content, (bag,)) for bag in level]
        return min(answers, key=lambda answer: answer.parcels[0].rank(self.aim))

    def wanted(self, content: int, candidates: tuple[BagId, ...]) -> Wanted:
        """What the content takes in each candidate; its parcels are those that it makes where all
        candidates are loaded."""
        order = self.contents[content]
        decision = self._decide(order, candidates)
        if decision.outcome is Outcome.MANUAL:
            return Wanted(cause=self._cause(order, decision, candidates))
        if len(decision.parcels) == 1:
            return Wanted((self._row(decision),))
        return Wanted(
            tuple(
                self._row_of_share(_share_of(order, parcel), parcel, candidates)
                for parcel in decision.parcels
            )
        )

    def _cause(self, order: Order, decision: Decision, candidates: tuple[BagId, ...]) -> Cause:
        """Where nothing fits, each article is asked alone: the first that fits nothing is why."""
        if decision.reasons[0].code is not ReasonCode.NO_BAG_FITS:
            return Cause(decision.reasons[0])
        for line in order.lines:
            alone = line.model_copy(update={"quantity": 1})
            answer = self._decide(order.model_copy(update={"lines": (alone,)}), candidates)
            if answer.outcome is Outcome.MANUAL:
                return Cause(_decisive(answer), line.item.sku)
        return Cause(decision.reasons[0])

    def _row_of_share(self, share: Order, parcel: Parcel, candidates: tuple[BagId, ...]) -> Row:
        decision = self._decide(share, candidates)
        if len(decision.parcels) == 1:
            return self._row(decision)
        return {parcel.bag.id: self._by_aim(parcel)}

    def _decide(self, order: Order, bags: tuple[BagId, ...]) -> Decision:
        loaded = tuple(Load(bag=bag) for bag in bags)
        station = self.station.model_copy(update={"loaded": loaded})
        # only what is loaded is in this room, so that the fit looks for no bag to load instead
        stocked = MappingProxyType({bag: self.room.bags[bag] for bag in bags})
        room = replace(self.room, bags=stocked, packing=self._packing)
        return decide(order, room, [station], on=self.on)

    def __post_init__(self) -> None:
        self._packing = self.room.packing.model_copy(update={"aim": self.aim})

    def _row(self, decision: Decision) -> Row:
        """The chosen bag, and each that was turned down for nothing but taking more."""
        (best,) = decision.parcels
        least = self._by_aim(best)
        row = {best.bag.id: least}
        for down in decision.turned_down:
            first = down.reasons[0]
            if first.code is ReasonCode.COSTS_MORE and first.needed is not None:
                row[down.bag] = first.needed
            if first.code is ReasonCode.MORE_FILM and first.needed is not None:
                row[down.bag] = least if self.aim is Aim.LEAST_COST else first.needed
        return row

    def _by_aim(self, parcel: Parcel) -> float:
        if self.aim is Aim.LEAST_COST:
            return inf if parcel.cost is None else parcel.cost
        return parcel.film_area_mm2

    def _bagged(self, parcel: Parcel) -> Bagged:
        bag, film = self.room.bags[parcel.bag.id], self.room.films[parcel.bag.film]
        return Bagged(
            bag=parcel.bag.id,
            length_mm=parcel.bag.length_mm,
            film_mm2=parcel.film_area_mm2,
            film_g=parcel.film_mass_g,
            price=film_price(bag, film, parcel.bag.width_mm, parcel.bag.length_mm),
            cost=parcel.cost,
            void=parcel.void_share,
            pieces=len(parcel.pieces),
        )


def _share_of(order: Order, parcel: Parcel) -> Order:
    """The part of an order that lies in one parcel, as an order of its own."""
    items = {line.line_id: line.item for line in order.lines}
    counts = Counter(piece.line_id for piece in parcel.pieces)
    lines = tuple(
        Line.model_construct(line_id=line, item=items[line], quantity=count)
        for line, count in sorted(counts.items())
    )
    return order.model_copy(update={"lines": lines})


def _decisive(decision: Decision) -> Reason:
    """What stood against every bag, as the bag says it that was nearest; where nothing did, that
    none fits."""
    against = [{reason.code for reason in down.reasons} for down in decision.turned_down]
    common = set.intersection(*against) if against else set()
    said = [
        reason for down in decision.turned_down for reason in down.reasons if reason.code in common
    ]
    return min(
        (reason for reason in said if reason.code is said[0].code),
        key=lambda reason: (reason.needed or 0.0) - (reason.available or 0.0),
        default=decision.reasons[0],
    )
