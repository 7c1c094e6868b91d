"""Short ways to say what a study is given, and to ask for it."""

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

from gateway.fit import Room, decide
from gateway.study import Gathering, Past, Questions, questions_of, study
from schemas.decision import Decision
from schemas.goods import Item
from schemas.order import Order
from schemas.site import Site
from schemas.station import Load
from schemas.study import PastOrder, StudyAnswer, StudyFile
from tests.unit.fit.given import a_site, opened, order, station

MORNING = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
ON = date(2026, 3, 20)
SIZES = ((160, 240), (200, 300), (240, 340), (300, 420), (360, 500), (440, 600))
OPENED = [opened(f"o{w}", w, length, price_each=w * length / 1e6) for w, length in SIZES]
CANDIDATES = tuple(bag["id"] for bag in OPENED)
TUBE = {
    "id": "tube",
    "form": "tubing",
    "film": "white-60",
    "lay_flat_width_mm": 300,
    "min_length_mm": 150,
    "max_length_mm": 900,
    "length_step_mm": 5,
    "price_per_m": 0.05,
}
SMALL_LABEL = {"label_width_mm": 60, "label_height_mm": 80}


def room_site(**more: Any) -> Site:
    """One station with a small label and six sizes of bag; `big` is all that it has loaded."""
    big = opened("big", 480, 640, price_each=0.4)
    sections: dict[str, Any] = {
        "bag": [*OPENED, TUBE, big],
        "station": [station("s1", "big", printer=SMALL_LABEL), station("s2", "tube")],
    }
    return a_site(**(sections | more))


def asked(**more: Any) -> StudyFile:
    """All six sizes as candidates at station s1."""
    return StudyFile.model_validate({"station": "s1", "candidates": CANDIDATES, **more})


def timed(orders: Iterable[Order], minutes: float = 1.0) -> list[PastOrder]:
    """One order after the other, so many minutes apart."""
    return [
        PastOrder(at=MORNING + timedelta(minutes=minutes * n), order=one)
        for n, one in enumerate(orders)
    ]


def orders_of(*goods: Item | tuple[Item, int], times: int = 1) -> list[Order]:
    """An order of one line for each of the goods, all of them so many times over."""
    return [
        order(one, order_id=f"o{turn}-{n}") for turn in range(times) for n, one in enumerate(goods)
    ]


def past_of(questions: Questions, orders: Iterable[PastOrder]) -> Past:
    """Gathered under the site's rules."""
    gathering = Gathering(questions.room.rules)
    for one in orders:
        gathering.take(one)
    return gathering.done()


def answered(orders: Iterable[PastOrder], site: Site | None = None, **more: Any) -> StudyAnswer:
    """The whole study of these orders."""
    questions = questions_of(asked(**more), site or room_site())
    return study(past_of(questions, orders), questions, UTC, on=ON)


def decided(orders: Sequence[Order], bags: Sequence[str], site: Site, at: str) -> list[Decision]:
    """What the fit says to each order by itself with these bags loaded."""
    room = Room.of(site)
    (there,) = [one for one in site.station if one.id == at]
    loaded = there.model_copy(update={"loaded": tuple(Load(bag=bag) for bag in bags)})
    return [decide(one, room, [loaded], on=ON) for one in orders]
