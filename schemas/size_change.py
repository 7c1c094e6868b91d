"""What a change of the bag size at a station would mean, before anybody does it."""

from schemas.base import BagId, JobId, OrderId, Record, StationId
from schemas.decision import Outcome


class BagToFinish(Record):
    """A printed bag that keeps the old size: it is loaded first, or voided and printed again."""

    position: int
    job_id: JobId
    order_id: OrderId


class OrderAfter(Record):
    """A waiting order under the new size."""

    order_id: OrderId
    outcome: Outcome
    text: str
    film_area_before_mm2: float
    film_area_after_mm2: float


class SizeChangePlan(Record):
    """A size change, planned and priced; nothing is done before the supply is really changed."""

    station: StationId
    slot: int
    bag_now: BagId | None
    bag_then: BagId
    finish_first: tuple[BagToFinish, ...]
    orders: tuple[OrderAfter, ...]
    to_manual: int
    film_difference_mm2: float
    waste_bags: int
    """Blank bags between printing and loading, and those that threading the new web spoils."""
    waste_price: float | None
    minutes: float
    text: str
