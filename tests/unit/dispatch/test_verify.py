"""A scan is a match only for the bag that is due; everything else is told apart."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.dispatch.verify import clean_code, judge
from gateway.store.jobs import JobRow
from schemas.job import JobState
from schemas.scan import ScanVerdict

NOW = datetime(2026, 1, 5, tzinfo=UTC)


def job(
    name: str,
    *,
    state: JobState = JobState.SENT,
    position: int | None = None,
    station: str = "bench",
    codes: tuple[str, ...] | None = None,
) -> JobRow:
    """A job whose label carries its own name as code."""
    return JobRow(
        job_id=f"j-{name}",
        order_id=f"order {name}",
        parcel_id=f"p-{name}",
        station=station,
        state=state,
        lane_position=1,
        attempt=1,
        count_before=None,
        label_sha256="0" * 64,
        sscc=None,
        expected_scans=codes or (name,),
        reprint_of=None,
        row_position=position,
        created=NOW,
        waits_since=NOW,
        changed=NOW,
        note="",
    )


def test_the_code_of_the_head_matches() -> None:
    """The bag nearest to loading is the one that is due."""
    row = [job("a", position=0), job("b", position=1)]
    assert ScanVerdict.MATCH == judge("bench", "a", row, [row[0]]).verdict


@pytest.mark.parametrize("shift", [1, 2, 3])
def test_a_neighbours_code_tells_by_how_much_the_row_is_shifted(shift: int) -> None:
    """A pulled bag makes every following one meet its neighbour's goods."""
    row = [job(name, position=place) for place, name in enumerate("abcd")]
    result = judge("bench", "abcd"[shift], row, [row[shift]])
    assert (ScanVerdict.SHIFTED, shift, True) == (
        result.verdict,
        result.shifted_by,
        result.holds_station,
    )
    assert f"order {'abcd'[shift]}" in result.text


@pytest.mark.parametrize(
    ("carriers", "expected"),
    [
        ([], ScanVerdict.UNKNOWN_CODE),
        ([job("x", state=JobState.QUEUED)], ScanVerdict.OTHER_ORDER),
        ([job("x", station="floor")], ScanVerdict.OTHER_STATION),
        ([job("x", state=JobState.VOID)], ScanVerdict.OLD_LABEL),
        ([job("x", state=JobState.VERIFIED, station="floor")], ScanVerdict.OLD_LABEL),
        ([job("x", state=JobState.VERIFIED)], ScanVerdict.OLD_LABEL),
    ],
)
def test_a_code_that_is_not_in_the_row_says_where_it_belongs(
    carriers: list[JobRow], expected: ScanVerdict
) -> None:
    """Other order, other station, old label and unknown are different mistakes."""
    result = judge("bench", "x", [job("a", position=0)], carriers)
    assert (expected, True) == (result.verdict, result.holds_station)


def test_the_bag_verified_last_may_be_scanned_again() -> None:
    """A trigger pulled twice is no mislabel, and holds nobody up."""
    done = job("x", state=JobState.VERIFIED)
    result = judge("bench", "x", [job("a", position=0)], [done], just_verified="j-x")
    assert (ScanVerdict.REPEAT, False) == (result.verdict, result.holds_station)


def test_a_scan_settles_a_doubt_that_only_its_label_can_settle() -> None:
    """What was read from a bag did print."""
    doubtful = job("d", state=JobState.IN_DOUBT)
    assert (ScanVerdict.MATCH, "j-d") == (
        (result := judge("bench", "d", [], [doubtful])).verdict,
        result.job_id,
    )


def test_a_scan_does_not_settle_a_doubt_whose_code_other_labels_carry() -> None:
    """An item's code may have been read from another bag of the same item."""
    doubtful = job("d", state=JobState.IN_DOUBT, codes=("same",))
    other = job("e", state=JobState.VERIFIED, codes=("same",))
    assert ScanVerdict.MATCH != judge("bench", "same", [], [doubtful, other]).verdict


def test_no_read_is_no_verdict_over_the_bag() -> None:
    """A scanner that reads nothing proves nothing."""
    assert ScanVerdict.NO_READ == judge("bench", None, [job("a", position=0)], []).verdict


@given(
    st.sampled_from(["", "]C1", "]d2", "]Q3", "]C0"]),
    st.text(alphabet="0123456789ABC\x1d", min_size=1).filter(lambda c: not c.startswith("\x1d")),
    st.sampled_from(["", "\r", "\n", "\r\n"]),
)
def test_what_the_scanner_adds_is_taken_off(prefix: str, code: str, ending: str) -> None:
    """Symbology identifiers (ISO/IEC 15424, from memory) and line ends are the scanner's own."""
    assert code == clean_code(f"{prefix}{code}{ending}")


@given(st.lists(st.sampled_from("abcdefgh"), unique=True, min_size=1), st.sampled_from("abcdefghz"))
def test_only_the_head_ever_matches(names: list[str], code: str) -> None:
    """Whatever the row, a match names the head."""
    row = [job(name, position=place) for place, name in enumerate(names)]
    carriers = [bag for bag in row if code in bag.expected_scans]
    result = judge("bench", code, row, carriers)
    assert (result.verdict is ScanVerdict.MATCH) == (code == names[0])
