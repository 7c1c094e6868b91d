"""Orders put into a store as intake and lanes leave them, without a gateway: quick and by hand."""

from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path

from gateway.clock import Clock
from gateway.dispatch.moves import move
from gateway.intake.labelling import ReadyLabel
from gateway.intake.queueing import Packed, queue_parcels, store_order
from gateway.store import jobs, orders
from gateway.store.store import Store
from gateway.store.work import Work
from schemas.decision import ChosenBag, Decision, Outcome, Parcel
from schemas.events import Accepted, AcceptedOutcome
from schemas.goods import Item
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.order import Address, Line, Order
from schemas.supply import BagForm

STATION = "bench"
NAME = "Ilse Beispiel"


@contextmanager
def started(url: str, clock: Clock) -> Iterator[Store]:
    """A store that is open to write."""
    store = Store(url, clock)
    store.start()
    try:
        yield store
    finally:
        store.close()


def sqlite_url(folder: Path) -> str:
    """A store of its own for one test."""
    return f"sqlite:///{folder / 'room.db'}"


def pack(work: Work, order_id: str, station: str = STATION, raw: bytes = b"{}") -> str:
    """Scan an order in and queue its one label; the job's id."""
    work.next_number("sscc")
    address = Address(name=NAME, lines=("Beispielweg 12",), city="Beispielstadt", country="DE")
    line = Line(line_id="1", item=Item(sku="box"), quantity=1)
    order = Order(order_id=order_id, ship_to=address, lines=(line,))
    content = order.model_dump_json(exclude_defaults=True).encode()
    bag = ChosenBag(id="small", form=BagForm.PRE_OPENED, film="clear", width_mm=250, length_mm=350)
    parcel = Parcel(
        station=station, bag=bag, pieces=(), mass_g=300, needed_width_mm=240,
        needed_length_mm=340, goods_size_mm=(200, 150, 20), film_area_mm2=175_000,
        film_mass_g=8, void_share=0.4, margin_width_mm=10, margin_length_mm=10, binding="width",
    )  # fmt: skip
    stream = f"^XA^CI28^FO40,40^A0N,40,40^FD{NAME} {order_id}^FS^XZ".encode()
    label = ReadyLabel("zpl", stream, sha256(stream).hexdigest(), (f"C-{order_id}",), None, False)
    decision = Decision(order_id=order_id, outcome=Outcome.PACKED, parcels=(parcel,))
    packed = Packed(order, content, sha256(content).hexdigest(), order_id, decision, (label,))
    event_id = f"scan-{order_id}"
    store_order(work, packed, station, event_id, "wms")
    (parcel_id,) = queue_parcels(work, packed, station)
    answer = Accepted(
        source="/test",
        id=event_id,
        repeated=False,
        outcome=AcceptedOutcome.QUEUED,
        order_id=order_id,
        text="",
    )
    orders.put_event(
        work.conn, answer, type_="bagrelay.order.scanned.v1", station=station,
        content_sha256=sha256(raw).hexdigest(), raw=raw, now=work.now,
    )  # fmt: skip
    work.record(EntryKind.EVENT_ACCEPTED, order_id=order_id, station=station, event_id=event_id)
    return jobs.of_parcel(work.conn, parcel_id)[0].job_id


def finish(work: Work, job_id: str) -> None:
    """Let the label be sent, printed and read."""
    for state in (JobState.SENDING, JobState.PRINTED, JobState.VERIFIED):
        job = jobs.find(work.conn, job_id)
        assert job is not None
        move(work, job, state, "test")


def pack_and_finish(work: Work, order_id: str) -> None:
    """An order from its scan to its verified bag, in one step."""
    finish(work, pack(work, order_id))
