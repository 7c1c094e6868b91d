"""Which bags a shift or a roll change could touch, from a station's entries alone."""

from datetime import UTC, datetime

import pytest
from pydantic import JsonValue

from gateway.cases.affected import affected_by
from schemas.cases import AffectedWhy
from schemas.job import JobState
from schemas.ledger import EntryKind, LedgerEntry

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


class Tape:
    """Entries of one station, written as they happen."""

    def __init__(self) -> None:
        self.entries: list[LedgerEntry] = []
        self.now: dict[str, JobState] = {}

    def add(self, kind: EntryKind, job: str | None, **data: JsonValue) -> int:
        """One entry; its number."""
        seq = len(self.entries) + 1
        self.entries.append(
            LedgerEntry(
                seq=seq, time=AT, kind=kind, order_id=job and f"O-{job}",
                parcel_id=job and f"p-{job}", job_id=job, station="bench", actor="gateway",
                data=data, prev="0" * 64, hash="0" * 64,
            )
        )  # fmt: skip
        return seq

    def moves(self, job: str, *states: JobState) -> int:
        """The job goes through these states; the last entry's number."""
        seq = 0
        for state in states:
            seq = self.add(EntryKind.JOB_MOVED, job, to=state.value)
            self.now[job] = state
        return seq

    def right_scan(self, job: str) -> int:
        """The right label was read from the job's bag."""
        self.moves(job, JobState.VERIFIED)
        return self.add(EntryKind.SCAN_VERIFIED, job, verdict="match")

    def found(self, at: int, shifted_by: int = 0) -> dict[str, AffectedWhy]:
        """Jobs that could be touched, and why."""
        found = affected_by(self.entries, "bench", at, self.now, shifted_by=shifted_by)
        return {bag.job_id: bag.why for bag in found.bags}


@pytest.fixture
def tape() -> Tape:
    """Bag A is proved; B, C and D are printed behind it."""
    tape = Tape()
    tape.moves("A", JobState.SENT)
    for job in ("B", "C", "D"):
        tape.moves(job, JobState.SENT)
    tape.right_scan("A")
    return tape


def test_shift_names_missing_handled_and_those_behind(tape: Tape) -> None:
    """Scanned C where B was due: B is missing, C held B's goods, D lay behind; A was proved."""
    at = tape.add(EntryKind.SCAN_REFUSED, "B", verdict="shifted", shifted_by=1)
    assert {
        "B": AffectedWhy.MISSING,
        "C": AffectedWhy.HELD_THE_GOODS,
        "D": AffectedWhy.BEHIND,
    } == tape.found(at, shifted_by=1)


def test_bags_printed_before_the_row_is_proved_again_count(tape: Tape) -> None:
    """E prints after the fault and before the next right scan, F only after it."""
    at = tape.add(EntryKind.SCAN_REFUSED, "B", verdict="shifted", shifted_by=1)
    tape.moves("E", JobState.SENT)
    tape.right_scan("C")
    tape.moves("F", JobState.SENT)
    found = tape.found(at, shifted_by=1)
    assert AffectedWhy.PRINTED_SINCE is found["E"]
    assert "F" not in found


def test_bag_that_left_unscanned_since_the_last_right_scan_counts(tape: Tape) -> None:
    """B was closed without a scan before the fault: no scan ever proved it."""
    tape.moves("B", JobState.CLOSED)
    at = tape.add(EntryKind.SCAN_REFUSED, "C", verdict="other_order")
    assert AffectedWhy.LEFT_UNSCANNED is tape.found(at)["B"]


def test_void_before_the_fault_is_out_of_it(tape: Tape) -> None:
    """D was pulled and voided before: it can't be touched any more."""
    tape.moves("D", JobState.VOID)
    at = tape.add(EntryKind.SCAN_REFUSED, "B", verdict="other_order")
    assert {"B", "C"} == set(tape.found(at))


def test_roll_change_touches_what_hung_between_print_and_scan(tape: Tape) -> None:
    """A changed roll asks about the same bags: those printed and not proved at that moment."""
    at = tape.add(EntryKind.SUPPLY_CHANGED, None, bag="mailer-250x350")
    assert {"B", "C", "D"} == set(tape.found(at))


def test_settled_bag_is_listed_as_settled(tape: Tape) -> None:
    """What a later scan or void settles stays on the list, marked as such."""
    at = tape.add(EntryKind.SCAN_REFUSED, "B", verdict="shifted", shifted_by=1)
    tape.moves("B", JobState.VOID)
    tape.right_scan("C")
    found = affected_by(tape.entries, "bench", at, tape.now, shifted_by=1)
    assert {"B": True, "C": True, "D": False} == {bag.job_id: bag.settled for bag in found.bags}
