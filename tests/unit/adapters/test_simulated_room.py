"""The simulated station: its reader of printer languages, and its row of bags."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.simulator.cycle import Cycle
from adapters.simulator.labels import Label, LabelStream, Query
from adapters.trial_label import epl_with, graphic, zpl_with
from schemas.station import SignalKind


def _labels(data: bytes, size: int = 10**6) -> list[Label]:
    stream = LabelStream()
    pieces = [data[at : at + size] for at in range(0, len(data), size)]
    found = [read for piece in pieces for read in stream.feed(piece)]
    return [read for read in found if isinstance(read, Label)]


# The guide's own example of ^BC, mode A, and what it stands for; GS is FNC1 within the data.
_GUIDE = b"^XA^BCN,,,,,A^FD>;>80204017773003486100008535>8910001>837252^FS^XZ"


def test_gs1_field_of_the_guide_reads_as_a_scanner_sends_it() -> None:
    """FNC1 in first place is not sent, later ones are GS (ZPL II guide, ^BC; GS1, 7.8)."""
    assert _labels(_GUIDE)[0].codes == ("0204017773003486100008535\x1d910001\x1d37252",)


@pytest.mark.parametrize(
    ("field", "read"),
    [
        (b"^BCN^FDA>0B>=C><D^FS", "A>B~C^D"),
        (b"^BXN,4,200,,,,_^FD_10112^FS", "0112"),
        (b"^BXN,4,200,,,,_^FD_101_110AB^FS", "01\x1d10AB"),
        (b"^BQN,2,4^FDQA,http://x^FS", "http://x"),
        (b"^BQN,2,4^FDHM,B0003abc^FS", "abc"),
        (b"^BQN,2,4^FDHM,N123^FS", "123"),
        (b"^BEN^FD950110153000^FS", "9501101530003"),
        (b"^BCN^FH_^FD_41_5E^FS", "A^"),
        (b"^BCN^FH\\^FD\\c3\\a9^FS", "é"),
    ],
)
def test_symbol_fields_read_as_a_scanner_sends_them(field: bytes, read: str) -> None:
    """Switches, escapes and check digits (tables of the ZPL II guide)."""
    assert _labels(b"^XA" + field + b"^XZ")[0].codes == (read,)


@given(st.integers(1, 60), st.lists(st.sampled_from(["a", "b^~_", "ž袋"]), min_size=1, max_size=4))
def test_pieces_of_any_size_read_the_same(size: int, codes: list[str]) -> None:
    """Where the network cuts the bytes does not matter."""
    data = b"".join(zpl_with(code, before=graphic(300)) for code in codes)
    assert [label.codes for label in _labels(data, size)] == [(code,) for code in codes]


def test_line_language_reads_and_skips_graphics() -> None:
    """EPL: quotes, escapes, GS1 delimiter, and a graphic that holds line ends."""
    drawn = b"\nN\nGW0,0,2,3,\n\n\n\nN\n"
    data = drawn + b'B1,1,0,1E,2,2,50,N,"0112\x0610A"\nA1,1,0,1,1,1,N,"a\\"b"\nP2,3\n'
    (label,) = _labels(data)
    assert (label.codes, label.texts, label.copies) == (("0112\x1d10A",), ('a"b',), 6)


def test_queries_and_both_languages_on_one_line() -> None:
    """A query between labels, and a change of language at a label's start."""
    stream = LabelStream()
    said = stream.feed(b"~HS\r\n" + zpl_with("one") + epl_with("two") + zpl_with("three"))
    assert said[0] == Query("host-status")
    codes = [read.codes for read in said if isinstance(read, Label)]
    assert codes == [("one",), ("two",), ("three",)]


def test_stored_format_prints_nothing() -> None:
    """^DF stores a format; only a label that recalls it would print."""
    assert _labels(b"^XA^DFR:X.ZPL^BCN^FDa^FS^XZ" + zpl_with("b"))[0].codes == ("b",)


def _label(name: str) -> Label:
    return Label((name,), ())


@given(st.integers(0, 10), st.integers(1, 25))
def test_row_brings_each_bag_to_loading_after_so_many_prints(ahead: int, prints: int) -> None:
    """With N bags ahead the bag of print k is at the loading place after print k + N."""
    cycle = Cycle(ahead)
    for number in range(prints):
        cycle.print_bag(_label(str(number)))
        there = cycle.row[0]
        expected = number - ahead
        assert (there.codes if there else None) == ((str(expected),) if expected >= 0 else None)
        cycle.seal()
    assert len(cycle.printed) == prints


@given(st.lists(st.sampled_from(["print", "advance", "seal", "pull 0", "pull 1"]), max_size=40))
def test_bags_are_neither_lost_nor_doubled(steps: list[str]) -> None:
    """Each printed bag is in exactly one place: the row, gone, or pulled."""
    cycle = Cycle(2)
    for step in steps:
        if step == "print":
            cycle.print_bag(_label("x"), f"job-{len(cycle.printed)}")
        elif step == "advance":
            cycle.advance()
        elif step == "seal":
            cycle.seal()
        else:
            cycle.pull(int(step[-1]))
        assert len(cycle.row) == 3
    places = [bag for bag in cycle.row if bag] + cycle.left + cycle.pulled
    assert sorted(bag.number for bag in places) == [bag.number for bag in cycle.printed]


def test_pulled_bag_shifts_those_behind_it() -> None:
    """The bag behind a pulled one takes its place: it would meet the goods of its neighbour."""
    cycle = Cycle(2)
    for name in "abc":
        cycle.print_bag(_label(name))
    (said,) = cycle.pull(1)
    assert (said.kind, said.position) == (SignalKind.BAG_PULLED, 1)
    assert [bag.codes[0] if bag else None for bag in cycle.row] == ["a", "c", None]
