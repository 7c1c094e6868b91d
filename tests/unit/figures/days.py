"""An invented day in the ledger: two stations, some trouble, nobody's name."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from pydantic import JsonValue

from gateway.figures.control_chart import Sample
from gateway.figures.day_facts import Cases, DayFacts, FormerBag, OpenCase, facts_of_day
from schemas.ledger import EntryKind, LedgerEntry

ZONE = ZoneInfo("Europe/Berlin")
DAY = date(2026, 11, 25)
START = datetime(2026, 11, 24, 23, 0, tzinfo=UTC)
END = START + timedelta(days=1)
FORMER = FormerBag("po-400x500", 400, 500, 20.0)
SMALL, LARGE = ("po-200x300", 200, 300, 6.0), ("po-300x400", 300, 400, 12.0)


class Book:
    """Entries in the making; `at` is hours after the day's start."""

    def __init__(self) -> None:
        self.entries: list[LedgerEntry] = []

    def add(
        self, at: float, kind: EntryKind, station: str, job: str | None = None, **data: JsonValue
    ) -> None:
        self.entries.append(
            LedgerEntry(
                seq=len(self.entries) + 1,
                time=START + timedelta(hours=at),
                kind=kind,
                order_id=f"SO-{job}" if job else None,
                parcel_id=f"P-{job}" if job else None,
                job_id=job,
                station=station,
                actor="gateway",
                data=data,
                prev="0" * 64,
                hash="0" * 64,
            )
        )

    def created(
        self, at: float, station: str, job: str, bag: tuple[str, float, float, float] = SMALL
    ) -> None:
        name, width, length, film = bag
        self.add(
            at,
            EntryKind.JOB_CREATED,
            station,
            job,
            bag={"id": name, "width_mm": width, "length_mm": length},
            needed_width_mm=width - 10,
            needed_length_mm=length - 10,
            film_mass_g=film,
            void_share=0.25,
        )

    def moved(self, at: float, station: str, job: str, was: str, to: str) -> None:
        self.add(at, EntryKind.JOB_MOVED, station, job, **{"from": was, "to": to, "reason": ""})

    def read(self, at: float, station: str, job: str | None, verdict: str) -> None:
        good = verdict in {"match", "repeat"}
        kind = EntryKind.SCAN_VERIFIED if good else EntryKind.SCAN_REFUSED
        self.add(at, kind, station, job, verdict=verdict)

    def bag(
        self,
        at: float,
        station: str,
        job: str,
        *verdicts: str,
        bag: tuple[str, float, float, float] = SMALL,
    ) -> None:
        """A bag's whole way: made, sent, and read as often as it takes."""
        self.created(at, station, job, bag)
        self.moved(at, station, job, "queued", "sending")
        self.moved(at, station, job, "sending", "sent")
        for verdict in verdicts:
            self.read(at, station, job, verdict)


def busy_day() -> list[LedgerEntry]:
    """Bags at two stations over two shifts, with a shifted row, no reads, a void and a doubt."""
    book = Book()
    for number in range(240):
        at = 6 + number / 20
        station = f"bench-{1 + number % 2}"
        book.add(at, EntryKind.ORDER_RECEIVED, station, pieces=2)
        verdicts = {7: ("shifted", "match"), 40: ("no_read", "match"), 41: ("no_read", "match")}
        verdicts |= {
            90: ("other_order",),
            150: ("no_read", "no_read", "match"),
            151: ("shifted",),
            15: ("shifted",),
            17: ("shifted",),
        }
        bag = LARGE if number % 3 == 0 else SMALL
        book.bag(at, station, f"j{number}", *verdicts.get(number, ("match",)), bag=bag)
    book.moved(18.2, "bench-1", "j90", "sent", "void")
    book.moved(18.3, "bench-2", "j240", "queued", "sending")
    book.moved(18.4, "bench-2", "j240", "sending", "in_doubt")
    book.add(9, EntryKind.ORDER_MANUAL, "bench-1")
    for at, station in ((8, "bench-1"), (12, "bench-1"), (13, "bench-2")):
        book.add(at, EntryKind.SUPPLY_CHANGED, station, slot=1, bag="po-200x300")
    book.add(9, EntryKind.STATION_HELD, "bench-2", hold="shifted", text="shifted by one")
    book.add(9.25, EntryKind.STATION_RELEASED, "bench-2", hold="shifted", reason="repaired")
    book.add(15, EntryKind.STATION_STATE, "bench-1", state="aborted", was="execute")
    book.add(15.5, EntryKind.STATION_STATE, "bench-1", state="execute", was="aborted")
    return sorted(book.entries, key=lambda entry: entry.time)


def busy_facts() -> DayFacts:
    """The busy day with three weeks of calm shifts before it."""
    calm = {
        station: tuple(
            Sample(
                f"2026-11-{day:02d} {shift}", 110 + 4 * (day % 5), int((day * 7 + salt) % 11 == 0)
            )
            for day in range(2, 25)
            for shift in ("early", "late")
        )
        for station, salt in (("bench-1", 0), ("bench-2", 1))
    }
    cases = Cases(
        settled_s=(300.0, 900.0, 1500.0, 7200.0),
        still_open=(OpenCase("C-17", "other_order", "bench-1", END - timedelta(hours=7)),),
    )
    return facts_of_day(busy_day(), DAY, START, END, cases=cases, former=FORMER, history=calm)
