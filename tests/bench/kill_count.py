"""What must hold after a kill run: the ledger and the devices, counted against each other."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from gateway.ledger import chain, entries
from gateway.store import sqlite
from schemas.ledger import EntryKind, LedgerEntry
from tests.bench.kill_people import Told
from tests.bench.kill_stations import FarEnd

_OUT = ("sent", "printed", "closed", "verified")


@dataclass(slots=True)
class StationFound:
    """The figures of one station."""

    name: str
    accepted: int = 0
    came_out: int = 0
    twice: int = 0
    doubts: Counter[str] = field(default_factory=Counter)
    """How many were settled, by whom: the station, a scan or a person."""
    denied: int = 0
    """Of these: not printed, and sent again."""
    repeats: int = 0
    """Repeats that the station dropped."""
    verified: int = 0
    wrong_scans: int = 0


@dataclass(slots=True)
class LedgerSays:
    """What the ledger tells of orders, labels and doubts."""

    code_of: dict[str, str] = field(default_factory=dict)
    job_of: dict[str, str] = field(default_factory=dict)
    denied: Counter[str] = field(default_factory=Counter)
    out: Counter[str] = field(default_factory=Counter)
    by_station: dict[str, StationFound] = field(default_factory=dict)

    def read(self, told: Sequence[LedgerEntry], names: Sequence[str]) -> None:
        """Read every entry."""
        self.by_station = {name: StationFound(name) for name in names}
        last: dict[str, tuple[str, bool]] = {}
        for entry in told:
            order_id, station, said = str(entry.order_id), str(entry.station), entry.data
            match entry.kind:
                case EntryKind.JOB_CREATED:
                    codes = said["expected_scans"]
                    assert isinstance(codes, list)
                    self.code_of[order_id] = str(codes[0])
                    self.job_of[order_id] = str(entry.job_id)
                case EntryKind.DOUBT_SETTLED:
                    found = self.by_station[station]
                    found.doubts[str(said["by"])] += 1
                    if not said["printed"]:
                        found.denied += 1
                        # The station's own word that it did not print allows no second label.
                        self.denied[order_id] += said["by"] != "station"
                case EntryKind.JOB_MOVED:
                    last[str(entry.job_id)] = station, said["to"] in _OUT
                    self.by_station[station].repeats += said.get("repeated") is True
                    self.by_station[station].verified += said["to"] == "verified"
                case _:
                    pass
        self.out = Counter(station for station, is_out in last.values() if is_out)


def read_ledger(db: Path, names: Sequence[str], wrong: list[str]) -> tuple[LedgerSays, int]:
    """Check that the chain is whole, and read it; with the count of its entries."""
    engine = sqlite.reading_engine(f"sqlite:///{db}")
    with engine.connect() as conn:
        report = chain.verify(entries.stored_rows(conn))
        told = entries.page(conn, after=0, limit=10_000_000)
    engine.dispose()
    if not report.ok:
        wrong.append(f"the ledger is not whole: {report.text}")
    ledger = LedgerSays()
    ledger.read(told, names)
    return ledger, len(told)


async def count_station(
    name: str, far_end: FarEnd, told: Told, ledger: LedgerSays, wrong: list[str]
) -> StationFound:
    """Hold one station's labels and bags against the scans that were accepted, and the ledger."""
    found = ledger.by_station[name]
    found.accepted, found.wrong_scans = len(told.accepted), told.wrong_scans
    labels, bags = await far_end.labels(), await far_end.bags()
    if labels or bags is None:
        _count(found, far_end, told, ledger.code_of, labels, ledger, wrong)
    if bags is not None:
        _count(found, far_end, told, ledger.job_of, bags, ledger, wrong)
    if ledger.out[name] != found.accepted:
        wrong.append(f"{name}: {ledger.out[name]} out by the ledger, {found.accepted} accepted")
    if far_end.traits.verify and not found.accepted == found.verified == told.matches:
        wrong.append(
            f"{name}: {found.accepted} accepted, {found.verified} verified by the ledger, "
            f"{told.matches} by those who scanned"
        )
    wrong += [f"{name}: {what}" for what in told.odd]
    return found


def _count(
    found: StationFound,
    far_end: FarEnd,
    told: Told,
    mark_of: dict[str, str],
    came_out: Sequence[str],
    ledger: LedgerSays,
    wrong: list[str],
) -> None:
    wanted = [mark_of.get(order_id, "none") for order_id in told.accepted]
    times, name = Counter(came_out), found.name
    found.came_out = len(came_out)
    found.twice = max(found.twice, sum(count > 1 for count in times.values()))
    lost = [
        order_id for order_id, mark in zip(told.accepted, wanted, strict=True) if not times[mark]
    ]
    if lost:
        wrong.append(f"{name}: {len(lost)} accepted and never came out: {', '.join(lost[:5])} ...")
    for order_id, mark in zip(told.accepted, wanted, strict=True):
        may = 1 if far_end.traits.drops_repeats else 1 + ledger.denied[order_id]
        if times[mark] > may:
            wrong.append(f"{name} {order_id}: came out {times[mark]} times, {may} may be")
    if not lost and list(dict.fromkeys(came_out)) != wanted:
        wrong.append(f"{name}: not in the order of the scans")
