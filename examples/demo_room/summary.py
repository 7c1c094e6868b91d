"""The demo's summary: recomputed from the ledger, held against what the machines counted."""

from collections import Counter
from dataclasses import dataclass, field
from statistics import median, quantiles

from people import Tally
from rich.console import Console
from rich.table import Table
from sqlalchemy.engine import Connection
from stage import Room

from gateway.ledger.chain import ChainReport, verify
from gateway.ledger.entries import page, stored_rows
from gateway.store import jobs
from schemas.job import JobState
from schemas.ledger import EntryKind, LedgerEntry
from schemas.supply import PreOpenedBag

MISLABELS = ("shifted", "other_order", "other_station", "old_label", "unknown_code")


@dataclass(slots=True)
class Summary:
    """Figures of the day, all from the ledger but those that the machines counted."""

    orders: int = 0
    manual: int = 0
    not_found: int = 0
    parcels: int = 0
    bags: Counter[str] = field(default_factory=Counter)
    film_mm2: float = 0.0
    compared: int = 0
    """Parcels whose goods the former bag would have held."""
    compared_mm2: float = 0.0
    one_size_mm2: float = 0.0
    """What the compared parcels would have taken in the former bag."""
    labels_sent: int = 0
    labels_counted_by_machines: int = 0
    verified: int = 0
    mislabels_caught: int = 0
    doubts_settled: int = 0
    retries: int = 0
    sizes_disputed: int = 0
    scan_to_station_s: list[float] = field(default_factory=list)
    chain: ChainReport | None = None
    wrong: list[str] = field(default_factory=list)

    @property
    def film_saved(self) -> float:
        """Share of film saved against putting the compared parcels into the former bag."""
        return 1 - self.compared_mm2 / self.one_size_mm2 if self.one_size_mm2 else 0.0


def summarise(room: Room, tallies: list[Tally]) -> Summary:
    """Compute the summary and name everything that does not add up."""
    store = room.gateway.store
    found = Summary()
    entries: list[LedgerEntry] = store.read_now(_all_entries)
    former = _former_bag(room)
    for entry in entries:
        _count(found, entry)
        _compare(found, entry, former)
    found.chain = store.read_now(lambda conn: verify(stored_rows(conn)))
    found.labels_counted_by_machines = sum(
        machine.printed_count for machine in room.stations.values()
    )
    _arrivals(found, room, entries)
    if not found.chain.ok:
        found.wrong.append(f"the ledger's chain: {found.chain.text}")
    _reconcile(found, room, entries, tallies)
    return found


def _all_entries(conn: Connection) -> list[LedgerEntry]:
    every: list[LedgerEntry] = []
    while more := page(conn, after=len(every), limit=5000):
        every += more
    return every


def _count(found: Summary, entry: LedgerEntry) -> None:
    data = entry.data
    match entry.kind:
        case EntryKind.ORDER_RECEIVED:
            found.orders += 1
        case EntryKind.ORDER_MANUAL:
            found.manual += 1
        case EntryKind.ORDER_NOT_FOUND:
            found.not_found += 1
        case EntryKind.SIZE_DISPUTED:
            found.sizes_disputed += 1
        case EntryKind.JOB_CREATED if data["reprint_of"] is None:
            found.parcels += 1
            found.film_mm2 += float(str(data["film_area_mm2"]))
            bag = data["bag"]
            assert isinstance(bag, dict)
            found.bags[_bag_name(bag)] += 1
        case EntryKind.JOB_MOVED:
            found.labels_sent += data["from"] in ("sending", "in_doubt") and data["to"] in (
                "sent",
                "printed",
            )
            found.retries += data["from"] == "sending" and data["to"] == "queued"
            found.verified += data["to"] == "verified"
        case EntryKind.SCAN_REFUSED:
            found.mislabels_caught += data["verdict"] in MISLABELS
        case EntryKind.DOUBT_SETTLED:
            found.doubts_settled += 1
        case _:
            pass


def _bag_name(bag: "dict[str, object]") -> str:
    if bag["form"] == "pre_opened":
        return str(bag["id"])
    length = float(str(bag["length_mm"]))
    low = int(length // 100 * 100)
    return f"{bag['id']}, {low} to {low + 100} mm long"


def _former_bag(room: Room) -> PreOpenedBag:
    bag = next(bag for bag in room.site.bag if bag.id == room.site.former_bag)
    assert isinstance(bag, PreOpenedBag)
    return bag


def _compare(found: Summary, entry: LedgerEntry, former: PreOpenedBag) -> None:
    """Hold the parcel's film against the former bag's: both panels and the lip."""
    data = entry.data
    if entry.kind is not EntryKind.JOB_CREATED or data["reprint_of"] is not None:
        return
    width, length = float(str(data["needed_width_mm"])), float(str(data["needed_length_mm"]))
    if width > former.width_mm or length > former.length_mm:
        return
    found.compared += 1
    found.compared_mm2 += float(str(data["film_area_mm2"]))
    found.one_size_mm2 += former.width_mm * (2 * former.length_mm + former.lip_mm)


def _arrivals(found: Summary, room: Room, entries: list[LedgerEntry]) -> None:
    """From the scan's request to the whole label at the station's socket, where nothing waited."""
    first_of: dict[str, LedgerEntry] = {}
    for entry in entries:
        if entry.kind is EntryKind.JOB_CREATED and entry.data["reprint_of"] is None:
            first_of.setdefault(str(entry.order_id), entry)
    for order_id, entry in first_of.items():
        codes = entry.data["expected_scans"]
        assert isinstance(codes, list)
        machine = room.stations[str(entry.station)]
        arrived = next(
            (machine.arrivals[str(c)] for c in codes if str(c) in machine.arrivals), None
        )
        started = room.scan_started.get(order_id)
        if arrived is not None and started is not None and arrived > started:
            found.scan_to_station_s.append(arrived - started)


def _reconcile(
    found: Summary, room: Room, entries: list[LedgerEntry], tallies: list[Tally]
) -> None:
    for tally in tallies:
        found.wrong += tally.problems
    open_orders = _unfinished(room, entries)
    if open_orders:
        found.wrong.append(f"orders lost: {', '.join(sorted(open_orders))}")
    if found.labels_sent != found.labels_counted_by_machines:
        found.wrong.append(
            f"the ledger has {found.labels_sent} labels, the machines printed "
            f"{found.labels_counted_by_machines}"
        )
    seen = sum(len(tally.verified) for tally in tallies)
    if found.verified != seen:
        found.wrong.append(f"the ledger has {found.verified} verified bags, people saw {seen}")
    found.wrong += _printed_twice(room, entries)


def _unfinished(room: Room, entries: list[LedgerEntry]) -> set[str]:
    received = {str(e.order_id) for e in entries if e.kind is EntryKind.ORDER_RECEIVED}
    manual = {str(e.order_id) for e in entries if e.kind is EntryKind.ORDER_MANUAL}
    parcels: dict[str, str] = {
        str(e.parcel_id): str(e.order_id) for e in entries if e.kind is EntryKind.JOB_CREATED
    }
    done = {
        parcel
        for parcel in parcels
        if room.gateway.store.read_now(
            lambda conn, parcel=parcel: any(  # type: ignore[misc]
                job.state is JobState.VERIFIED for job in jobs.of_parcel(conn, parcel)
            )
        )
    }
    packed = set(parcels.values())
    lost = {order for parcel, order in parcels.items() if parcel not in done}
    return lost | (received - manual - packed)


def _printed_twice(room: Room, entries: list[LedgerEntry]) -> list[str]:
    """Labels with a serial of their own, printed more than once by a machine."""
    own = {str(e.data["sscc"]) for e in entries if e.kind is EntryKind.JOB_CREATED}
    twice = []
    for name, machine in room.stations.items():
        printed = Counter(
            code
            for codes in machine.printed_codes
            for code in codes
            if code.removeprefix("00") in own
        )
        twice += [f"{name} printed {code} {n} times" for code, n in printed.items() if n > 1]
    return twice


def _m2(area_mm2: float) -> str:
    return f"{area_mm2 / 1e6:.2f} m2"


def show(console: Console, found: Summary) -> None:
    """Print the table, and what does not add up."""
    table = Table(
        title="The day, recomputed from the ledger", show_header=False, title_justify="left"
    )
    table.add_column(justify="left")
    table.add_column(justify="right")
    table.add_row("orders", str(found.orders))
    table.add_row("  to manual packing, with the reason stated", str(found.manual))
    table.add_row("codes that the WMS did not know", str(found.not_found))
    table.add_row("parcels", str(found.parcels))
    for name, count in sorted(found.bags.items()):
        table.add_row(f"  {name}", str(count))
    table.add_row("film used", _m2(found.film_mm2))
    table.add_row(f"  by {found.compared} that fit the former bag", _m2(found.compared_mm2))
    table.add_row("  by these in the former bag", _m2(found.one_size_mm2))
    table.add_row("  saved on these", f"{found.film_saved:.1%}")
    table.add_row("labels printed, by the ledger", str(found.labels_sent))
    table.add_row(
        "labels printed, by the machines' counters", str(found.labels_counted_by_machines)
    )
    table.add_row("bags verified by scan", str(found.verified))
    table.add_row("mislabels caught before the bag left", str(found.mislabels_caught))
    table.add_row("doubts settled", str(found.doubts_settled))
    table.add_row("retries", str(found.retries))
    table.add_row("catalogue sizes disputed by the scanner", str(found.sizes_disputed))
    for name, value in _times(found.scan_to_station_s):
        table.add_row(name, value)
    assert found.chain is not None
    table.add_row("ledger entries, chain checked", str(found.chain.entries))
    console.print(table)
    for problem in found.wrong:
        console.print(f"[bold red]wrong:[/bold red] {problem}")


def _times(seconds: list[float]) -> list[tuple[str, str]]:
    if len(seconds) < 2:
        return []
    cuts = quantiles(seconds, n=100)
    return [
        ("scan to whole label at the station, median", f"{median(seconds) * 1000:.1f} ms"),
        ("  90th centile", f"{cuts[89] * 1000:.1f} ms"),
        ("  longest (waits for people and faults included)", f"{max(seconds) * 1000:.0f} ms"),
    ]
