"""What a gateway promised of its labels, counted at the machines and in the ledger."""

from collections import Counter
from collections.abc import Sequence
from datetime import datetime

from schemas.ledger import EntryKind, LedgerEntry


class Told:
    """What the ledger says of orders, labels and doubts."""

    def __init__(self, told: list[LedgerEntry]) -> None:
        self.code_of: dict[str, str] = {}
        self.denied: Counter[str] = Counter()
        self.denied_by_stations = 0
        self.affirmed = 0
        self.repeats = 0
        self.entries = len(told)
        self.moves: Counter[tuple[str, str]] = Counter()
        """How often a job moved to a state."""
        self.leased: list[tuple[datetime, str]] = []
        """When a lane passed to a gateway, in their order."""
        out: dict[str, tuple[str, bool]] = {}
        for entry in told:
            match entry.kind:
                case EntryKind.JOB_CREATED:
                    codes = entry.data["expected_scans"]
                    assert isinstance(codes, list)
                    self.code_of[str(entry.order_id)] = str(codes[0])
                case EntryKind.DOUBT_SETTLED if entry.data["printed"]:
                    self.affirmed += 1
                case EntryKind.DOUBT_SETTLED if entry.data["by"] == "station":
                    # its own word that it did not print allows no second label
                    self.denied_by_stations += 1
                case EntryKind.DOUBT_SETTLED:
                    self.denied[str(entry.order_id)] += 1
                case EntryKind.JOB_MOVED:
                    is_out = entry.data["to"] in ("sent", "printed", "closed", "verified")
                    self.moves[str(entry.job_id), str(entry.data["to"])] += 1
                    out[str(entry.job_id)] = str(entry.station), is_out
                    self.repeats += entry.data.get("repeated") is True
                case EntryKind.LANE_LEASED:
                    self.leased.append((entry.time, str(entry.station)))
                case _:
                    pass
        self.out = Counter(station for station, is_out in out.values() if is_out)


def wrong_at(
    kind: str, name: str, accepted: Sequence[str], came_out: Sequence[str], ledger: Told
) -> list[str]:
    """What is wrong with the labels of one station: lost, doubled, out of order, miscounted.

    `accepted` are its orders and `came_out` the codes of its labels, each in their order.
    """
    wrong: list[str] = []
    wanted = [ledger.code_of.get(order_id, "none") for order_id in accepted]
    times = Counter(came_out)
    for order_id, code in zip(accepted, wanted, strict=True):
        may = 1 if kind == "simulated" else 1 + ledger.denied[order_id]
        if not times[code]:
            wrong.append(f"{kind} {order_id}: accepted, and no label came out")
        elif times[code] > may:
            wrong.append(f"{kind} {order_id}: printed {times[code]} times, {may} may be")
    if list(dict.fromkeys(came_out)) != wanted:
        wrong.append(f"{kind} {name}: not printed in the order of the scans")
    if ledger.out[name] != len(set(came_out)):
        wrong.append(
            f"{kind} {name}: {ledger.out[name]} labels by the ledger, {len(came_out)} came out"
        )
    return wrong
