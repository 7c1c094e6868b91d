"""Stations as the pages show them: the view, its tone, what to do, and the goods to load."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import orjson
from sqlalchemy.engine import Connection

from gateway.dispatch.lane_view import LaneView
from gateway.dispatch.station_view import station_views
from gateway.store import jobs, orders
from schemas.station import Load, MachineState, Station, StationState, Verify
from schemas.views import RowBag, StationView

LaneOf = Callable[[str], tuple[LaneView, bool]]

_DOWN = frozenset({MachineState.ABORTED, MachineState.OFFLINE, MachineState.STOPPED})


class Tone(StrEnum):
    """How a station stands, in one word; also the order in which it wants attention."""

    HELD = "held"
    DOUBT = "doubt"
    STANDS = "stands"
    WAITS = "waits"
    RUNS = "runs"


@dataclass(frozen=True, slots=True)
class Place:
    """One position between print and loading; empty, or with a printed bag."""

    position: int
    bag: RowBag | None
    is_print: bool


@dataclass(frozen=True, slots=True)
class StationNow:
    """All that the card of a station shows."""

    view: StationView
    station: Station
    tone: Tone

    @property
    def title(self) -> str:
        """Its name where it has one, as far as a colon."""
        return self.view.name.partition(": ")[0] or self.view.station

    @property
    def subtitle(self) -> str:
        """What its name says behind a colon."""
        return self.view.name.partition(": ")[2]

    @property
    def places(self) -> list[Place]:
        """Positions from loading to print."""
        bags = {bag.position: bag for bag in self.view.row}
        last = max([self.station.bags_ahead, *bags])
        return [
            Place(at, bags.get(at), at == self.station.bags_ahead and at > 0)
            for at in range(last + 1)
        ]

    @property
    def must_scan(self) -> bool:
        """Whether each finished label is scanned."""
        return self.station.verify is Verify.REQUIRED


def now(conn: Connection, station: Station, lane_of: LaneOf) -> StationNow:
    """The station now."""
    return all_now(conn, (station,), lane_of)[0]


def all_now(conn: Connection, stations: Sequence[Station], lane_of: LaneOf) -> list[StationNow]:
    """Each of these stations now, read together."""
    views = station_views(conn, stations, lane_of)
    return [
        StationNow(view, station, _tone(view))
        for view, station in zip(views, stations, strict=True)
    ]


def _tone(view: StationView) -> Tone:
    if view.held:
        return Tone.HELD
    if view.in_doubt:
        return Tone.DOUBT
    stands = view.state is not StationState.READY
    if stands or view.machine_state in _DOWN or not view.sends_here:
        return Tone.STANDS
    return Tone.RUNS if view.row or view.lane_length or view.sending else Tone.WAITS


def is_low(load: Load) -> bool:
    """Whether a supply counts as low: by its count, or because the station said so."""
    if load.told_low:
        return True
    left = load.pieces_left if load.pieces_left is not None else load.metres_left
    return left is not None and load.low_at is not None and left <= load.low_at


@dataclass(frozen=True, slots=True)
class Goods:
    """Pieces of one article that belong into the bag at the loading position."""

    sku: str
    description: str
    pieces: int


def goods_of(conn: Connection, parcel_id: str) -> list[Goods]:
    """What goes into a parcel; empty once the order's content was erased."""
    row = orders.find_parcel(conn, parcel_id)
    order = orders.find(conn, row.order_id) if row else None
    if row is None or order is None or order.content is None:
        return []
    lines: Mapping[str, Mapping[str, str]] = {
        line["line_id"]: line["item"] for line in orjson.loads(order.content)["lines"]
    }
    counts: dict[str, int] = {}
    for piece in row.parcel.pieces:
        counts[piece.line_id] = counts.get(piece.line_id, 0) + 1
    return [
        Goods(lines[line]["sku"], lines[line].get("description", ""), count)
        for line, count in counts.items()
        if line in lines
    ]


@dataclass(frozen=True, slots=True)
class Waiting:
    """A job of the lane that is not sent yet."""

    job_id: str
    order_id: str
    state: str
    place: int


def lane_of_station(conn: Connection, station: str, most: int = 30) -> list[Waiting]:
    """The jobs that will be sent next, in their order."""
    return [
        Waiting(job.job_id, job.order_id, job.state.value, place)
        for place, job in enumerate(jobs.waiting(conn, station)[:most], start=1)
    ]
