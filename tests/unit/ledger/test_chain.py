"""Whatever is done to stored entries shows, with the first bad entry named."""

from dataclasses import replace
from hashlib import sha256

import pytest
from chains import Row, chain, checkpoint_of, entry, plain, renumbered, sealed, tree_of
from hypothesis import given
from hypothesis import strategies as st

from gateway.ledger.chain import GENESIS, START, ChainFault, ChainHead, ChainReport, verify
from gateway.ledger.merkle import CompactRange, leaf_hash

SIZE = 12
PLACES = st.integers(1, SIZE)
ROWS = chain(SIZE)


def check(rows: list[Row]) -> ChainReport:
    return verify(plain(rows))


def replaced(at: int, **columns: object) -> list[Row]:
    """The chain with columns of entry `at` overwritten."""
    return [replace(row, **columns) if row.seq == at else row for row in ROWS]


def forged(at: int) -> list[Row]:
    """The chain with entry `at` rewritten and sealed again, the others left alone."""
    prev = ROWS[at - 2].hash.hex() if at > 1 else GENESIS
    return [sealed(entry(at, prev, actor="forger")) if row.seq == at else row for row in ROWS]


def found(report: ChainReport) -> tuple[ChainFault | None, int | None]:
    return report.fault, report.first_bad_seq


@pytest.mark.parametrize("size", [0, 1, 2, 1023, 1024, 1025])
def test_untouched_chain_is_well(size: int) -> None:
    """What was sealed and left alone passes, to its last entry and with its root."""
    rows, tree = chain(size), CompactRange()
    report = verify(plain(rows), tree=tree, checkpoints=[checkpoint_of(rows)])
    head = ChainHead(size, rows[-1].hash.hex()) if rows else START
    assert ChainReport(entries=size, head=head, checkpoints=1) == report
    assert tree_of(rows).root() == tree.root()


@given(PLACES, st.data())
def test_any_changed_byte_shows_at_its_entry(at: int, data: st.DataObject) -> None:
    """One flipped bit of one text is found and named."""
    text = bytearray(ROWS[at - 1].canonical)
    text[data.draw(st.integers(0, len(text) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    report = check(replaced(at, canonical=bytes(text)))
    assert (ChainFault.CHANGED, at) == found(report)
    assert f"Entry {at} was changed" in report.text
    assert at - 1 == report.entries == report.head.seq


@given(PLACES)
def test_changed_hash_shows_at_its_entry(at: int) -> None:
    """A stored hash that is not the text's is found and named."""
    assert (ChainFault.CHANGED, at) == found(check(replaced(at, hash=bytes(32))))


@given(PLACES.filter(lambda at: at < SIZE))
def test_entry_sealed_anew_shows_by_its_follower(at: int) -> None:
    """A rewritten entry with a fresh, fitting hash is found by the next, sealed upon another."""
    report = check(forged(at))
    assert (ChainFault.CHANGED, at) == found(report)
    assert f"Entry {at} was replaced" in report.text


@given(PLACES.filter(lambda at: 1 < at < SIZE - 1))
def test_entry_sealed_upon_nothing_is_named_itself(at: int) -> None:
    """An entry with an invented `prev` is the false one, not the entry before it."""
    row = sealed(entry(at, "ab" * 32))
    rows = [row if one.seq == at else one for one in ROWS]
    assert (ChainFault.CHANGED, at) == found(check(rows))


def test_first_entry_must_stand_on_nothing() -> None:
    """A ledger whose first entry continues another one is not whole."""
    report = check([sealed(entry(1, "ab" * 32))])
    assert (ChainFault.CHANGED, 1) == found(report)


@given(PLACES.filter(lambda at: at < SIZE), st.integers(1, 4))
def test_removed_entries_show_at_the_gap(at: int, count: int) -> None:
    """Entries deleted between others are named by their numbers."""
    count = min(count, SIZE - at)
    rows = [row for row in ROWS if not at <= row.seq < at + count]
    report = check(rows)
    assert (ChainFault.REMOVED, at) == found(report)
    assert "missing" in report.text


@given(PLACES.filter(lambda at: at < SIZE))
def test_gap_closed_by_renumbering_shows(at: int) -> None:
    """Moving the later entries up over a deleted one does not hide it."""
    rows = renumbered([row for row in ROWS if row.seq != at])
    assert (ChainFault.REMOVED, at) == found(check(rows))


@given(PLACES.filter(lambda at: at < SIZE))
def test_swapped_entries_show_at_the_first(at: int) -> None:
    """Neighbours in each other's places are found, renumbered or not."""
    rows = list(ROWS)
    rows[at - 1], rows[at] = rows[at], rows[at - 1]
    assert (ChainFault.REORDERED, at) == found(check(rows))
    assert (ChainFault.REORDERED, at) == found(check(renumbered(rows)))


@given(PLACES)
def test_inserted_entry_shows(at: int) -> None:
    """An entry put in before another, well sealed upon the one before it, is found."""
    prev = ROWS[at - 2].hash.hex() if at > 1 else GENESIS
    extra = sealed(entry(at, prev, actor="forger"))
    rows = renumbered([*ROWS[: at - 1], extra, *ROWS[at - 1 :]])
    assert (ChainFault.INSERTED, at) == found(check(rows))


@given(PLACES)
def test_entry_stored_twice_shows(at: int) -> None:
    """The same entry standing twice is found."""
    assert (ChainFault.INSERTED, at) == found(check([*ROWS[:at], ROWS[at - 1], *ROWS[at:]]))


@given(
    PLACES,
    st.sampled_from(
        ["kind", "order_id", "parcel_id", "job_id", "station", "event_id", "time"],
    ),
    st.sampled_from([None, "", "other", 'x","order_id":"y', 'J1","kind":"job.moved']),
)
def test_column_that_contradicts_its_entry_shows(at: int, column: str, value: object) -> None:
    """A search column that was tampered with is found and named, whatever was put in."""
    if getattr(ROWS[at - 1], column) == value:
        value = "another"
    report = check(replaced(at, **{column: value}))
    assert (ChainFault.COLUMN, at) == found(report)
    assert f"column {column} says {value!r}" in report.text


def test_column_cannot_borrow_text_from_the_data() -> None:
    """A column forged to read like the text between data and end is still a contradiction."""
    row = ROWS[3]
    text = row.canonical.decode()
    start = text.index('"event_id":') + len('"event_id":')
    borrowed = 'x"},"event_id":' + text[start : text.index(',"kind"')].strip('"')
    assert (ChainFault.COLUMN, 4) == found(check(replaced(4, job_id=borrowed)))


def test_text_that_is_no_entry_shows() -> None:
    """Junk with a fitting hash is not an entry."""
    for text in (b"[1]", b"{", b"{}"):
        rows = replaced(5, canonical=text, hash=sha256(text).digest())
        assert (ChainFault.CHANGED, 5) == found(check(rows))


def test_member_of_a_later_release_is_no_fault() -> None:
    """An entry with a member that this release does not know is checked and passes."""
    first = sealed(entry(1, GENESIS, zone="north"))
    second = sealed(entry(2, first.hash.hex(), zone="north"))
    assert check([first, second]).ok


@given(st.integers(0, SIZE))
def test_check_goes_on_after_a_known_head(after: int) -> None:
    """A check from a head that was found well earlier covers the rest, tree included."""
    tree = CompactRange()
    tree.extend([leaf_hash(row.canonical) for row in ROWS[:after]])
    start = ChainHead(after, ROWS[after - 1].hash.hex()) if after else None
    report = verify(plain(ROWS[after:]), start=start, tree=tree, checkpoints=[checkpoint_of(ROWS)])
    assert report.ok
    assert SIZE - after == report.entries
    assert 1 == report.checkpoints


def test_checkpoints_from_before_the_start_are_passed_over() -> None:
    """A check that goes on from a head says nothing about older checkpoints."""
    old = [checkpoint_of(ROWS[:size]) for size in (0, 4, 5)]
    start = ChainHead(5, ROWS[4].hash.hex())
    report = verify(plain(ROWS[5:]), start=start, checkpoints=old)
    assert report.ok
    assert 1 == report.checkpoints


@pytest.mark.parametrize(
    ("gone", "sentence"),
    [
        ({4}, "Entry 4 is missing before entry 5."),
        ({4, 5, 6}, "Entries 4 to 6 are missing before entry 7."),
    ],
)
def test_gap_is_told_by_its_numbers(gone: set[int], sentence: str) -> None:
    """The person who reads it knows which entries to look for in a copy."""
    assert sentence == check([row for row in ROWS if row.seq not in gone]).text


def test_check_after_another_head_shows() -> None:
    """Entries that do not follow the head handed in are named."""
    report = verify(plain(ROWS[5:]), start=ChainHead(5, "ab" * 32))
    assert (ChainFault.CHANGED, 5) == found(report)


def test_tree_of_another_size_is_refused() -> None:
    """A tree that does not belong to the start is the caller's mistake, said at once."""
    with pytest.raises(ValueError, match="0 leaves"):
        verify(plain(ROWS[5:]), start=ChainHead(5, ROWS[4].hash.hex()), tree=CompactRange())


@given(st.integers(0, SIZE - 1))
def test_cut_tail_shows_against_a_checkpoint(kept: int) -> None:
    """A shortened ledger is whole in itself, and too short for what was signed."""
    signed = checkpoint_of(ROWS)
    report = verify(plain(ROWS[:kept]), checkpoints=[signed])
    assert verify(plain(ROWS[:kept])).ok
    assert (ChainFault.TAIL_CUT, kept + 1) == found(report)
    assert f"ends at entry {kept}" in report.text


@given(PLACES, st.booleans())
def test_rewritten_chain_shows_against_a_checkpoint(at: int, with_tree: bool) -> None:
    """A chain sealed anew from an entry on shows after the last checkpoint that still agrees."""
    rows = chain(SIZE, changed=at)
    checkpoints = [checkpoint_of(ROWS[:size]) for size in (12, 4, 8, 0)]
    tree = CompactRange() if with_tree else None
    report = verify(plain(rows), tree=tree, checkpoints=checkpoints)
    assert verify(plain(rows)).ok
    agreed = max(size for size in (0, 4, 8) if size < at)
    assert (ChainFault.REWRITTEN, agreed + 1) == found(report)
    assert 1 + agreed // 4 == report.checkpoints


def test_checkpoint_over_another_tree_shows() -> None:
    """A checkpoint with the right last hash and a wrong root does not pass when trees are made."""
    signed = checkpoint_of(ROWS).model_copy(update={"root": "ab" * 32})
    report = verify(plain(ROWS), tree=CompactRange(), checkpoints=[signed])
    assert (ChainFault.REWRITTEN, 1) == found(report)
    assert "Merkle root" in report.text


def test_fault_after_a_checkpoint_shows() -> None:
    """Agreement with a checkpoint does not stop the check of what came later."""
    rows = replaced(9, canonical=b"{}")
    report = verify(plain(rows), checkpoints=[checkpoint_of(ROWS[:8])])
    assert (ChainFault.CHANGED, 9) == found(report)
    assert 1 == report.checkpoints
