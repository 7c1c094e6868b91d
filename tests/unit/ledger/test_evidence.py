"""Evidence files: they hold what happened, prove it, and keep back what they must."""

import json
from base64 import b64decode
from functools import cache
from io import BytesIO

import numpy as np
import pytest
import zxingcpp
from chains import KEY
from parcels import (
    CITY,
    FACTS,
    LABEL,
    NAME,
    ORDER,
    PARCEL,
    SCAN,
    START,
    STREET,
    TURNED_DOWN,
    label,
    moved,
    parts,
    proved,
    sealed,
)
from PIL import Image
from pypdf import PdfReader

from gateway.ledger.checkpoint import new_key
from gateway.ledger.evidence import BLACK, Evidence, evidence, to_json
from gateway.ledger.evidence_check import check_file
from gateway.ledger.evidence_pdf import to_pdf

MACHINES = {"gateway", "scanner"}
PUBLIC = KEY.public_key()
PRIVATE = (NAME, STREET, CITY, "Jo Bloggs", "asked Anna")


@cache
def whole() -> Evidence:
    return evidence(parts(), START)


@cache
def blacked() -> Evidence:
    return evidence(parts(), START, black_out=True, machines=MACHINES)


@cache
def text_of(file: Evidence) -> str:
    return "\n".join(page.extract_text() for page in PdfReader(BytesIO(to_pdf(file))).pages)


def pictures_in(file: Evidence) -> int:
    return sum(len(page.images) for page in PdfReader(BytesIO(to_pdf(file))).pages)


def test_file_tells_the_whole_story() -> None:
    """Lines, bag, reasons, both labels, every move and every scan are there."""
    file = whole()
    assert file.ordered
    assert [line.quantity for line in ORDER.lines] == [one.quantity for one in file.ordered.lines]
    assert (PARCEL, TURNED_DOWN) == (file.parcel, file.turned_down)
    assert [LABEL, LABEL] == [b64decode(one.content_base64 or "") for one in file.labels]
    assert [3, 4, 5, 7, 8, 9, 10, 12] == [one.seq for one in file.attempts]
    assert [("no_read", False), ("match", True)] == [
        (one.verdict, one.accepted) for one in file.readings
    ]
    assert file.verified
    assert 11 == file.verified.seq


def test_scan_of_a_label_that_was_voided_later_verifies_nothing() -> None:
    """A bag whose label was read and then voided is not shown as verified."""
    _, entries = sealed((*FACTS, moved("j-2", "verified", "void", "came back")))
    assert None is evidence(parts(entries=tuple(entries)), START).verified


def test_file_checks_with_nothing_but_the_key() -> None:
    """The JSON proves itself under the site's key, blacked out or not."""
    for file in (whole(), blacked()):
        report = check_file(to_json(file), PUBLIC)
        assert () == report.faults
        assert len(FACTS) == len(report.proved)


def test_file_reads_back_as_it_was() -> None:
    """JSON loses nothing."""
    assert whole() == Evidence.model_validate_json(to_json(whole()))


@pytest.mark.parametrize(
    ("member", "value", "fault"),
    [
        (("attempts", 0, "reason"), "invented", "entry 3 is not what the ledger holds"),
        (("attempts", 7, "became"), "void", "entry 12 is not what the ledger holds"),
        (("readings", 0, "code"), "0039", "entry 6 is not what the ledger holds"),
        (("readings", 1, "accepted"), False, "entry 11 is not what the ledger holds"),
        (("attempts", 0, "seq"), 99, "entry 99 has no proof"),
        (("parcel_id",), "p-other", "is not what the ledger holds"),
        (("labels", 0, "content_base64"), "AAAA", "do not have its digest"),
        (("labels", 0, "sha256"), "ab" * 32, "not the one that the ledger names"),
        (("labels", 0, "job_id"), "j-9", "No proved entry made the label of job j-9"),
        (("parcel", "bag", "width_mm"), 300, "not the one that the ledger names for j-1"),
        (("parcel", "needed_width_mm"), 200, "not the one that the ledger names for j-1"),
        (("turned_down", 0, "bag"), "po-9", "turned down are not those that the ledger names"),
        (("ordered", "lines", 0, "quantity"), 9, "not those of the order's content"),
        (("ordered", "ship_to", "city"), "Elsewhere", "not those of the order's content"),
        (("ordered", "content_base64"), "e30=", "not the one whose digest the ledger holds"),
        (("proof", "entries", 0, "canonical"), "{}", "Entry 1 is not in the ledger"),
        (("proof",), None, "holds no proof"),
        (("made",), "yesterday", "no evidence file: made"),
    ],
)
def test_anything_altered_in_the_file_shows(
    member: tuple[str | int, ...], value: object, fault: str
) -> None:
    """What the file shows is held against what the ledger's proof holds."""
    file = json.loads(to_json(whole()))
    at = file
    for name in member[:-1]:
        at = at[name]
    at[member[-1]] = value
    report = check_file(json.dumps(file), PUBLIC)
    assert any(fault in one for one in report.faults), report
    assert () == report.proved


def test_left_out_attempt_shows() -> None:
    """An unwelcome attempt can't be dropped from what is shown while the proof has it."""
    file = json.loads(to_json(whole()))
    del file["attempts"][3]
    assert ("Entry 7 (job.moved) is proved but not shown.",) == check_file(
        json.dumps(file), PUBLIC
    ).faults


def test_file_of_a_forger_fails_under_the_known_key() -> None:
    """Another key's evidence is not the site's."""
    report = check_file(to_json(whole()), new_key().public_key())
    assert any("not the key that was given" in fault for fault in report.faults)


def test_junk_is_no_evidence() -> None:
    """Text that is neither kind of file is refused with what is wrong."""
    assert any("no proof file" in fault for fault in check_file("nothing").faults)
    assert any("no proof file" in fault for fault in check_file("[]").faults)


@pytest.mark.parametrize("text", PRIVATE)
def test_blacked_out_file_has_no_name_address_or_typed_word(text: str) -> None:
    """Neither the JSON, its label bytes and proof included, nor the PDF holds them."""
    open_json, shut_json = to_json(whole()), to_json(blacked())
    assert text in open_json
    assert text not in shut_json
    assert all(one.content_base64 is None for one in blacked().labels)
    assert text in text_of(whole())
    assert text not in text_of(blacked())
    assert BLACK in text_of(blacked())


def grey(file: Evidence) -> Image.Image:
    return Image.open(BytesIO(b64decode(file.labels[0].picture_png_base64 or ""))).convert("L")


def test_blacked_out_picture_keeps_the_code_and_loses_the_address() -> None:
    """A scanner still reads the code that was expected, and no letter of the address is left."""
    before, after = grey(whole()), grey(blacked())
    assert [SCAN.encode()] == [found.bytes for found in zxingcpp.read_barcodes(after)]
    assert before.size == after.size
    written, hidden = (
        np.asarray(picture.crop((50, 50, 750, 190))) < 128 for picture in (before, after)
    )
    assert written.any()
    assert hidden[written].all()
    edges = np.diff(hidden.astype(int), axis=1)
    assert {0, 1, 2} >= set(np.abs(edges).sum(axis=1)), "a row is one bar: no letter, no word shows"


def test_picture_that_could_not_be_blacked_out_is_left_out() -> None:
    """A picture with an address is never shown for want of a better one."""
    file = evidence(parts(labels=(label("j-1", blacked_png=None),)), START, black_out=True)
    assert None is file.labels[0].picture_png_base64
    assert "could not be blacked out" in file.labels[0].note
    assert 0 == pictures_in(file)
    assert 2 == pictures_in(blacked())


def test_erased_content_is_said_to_be_erased() -> None:
    """When the time of personal data is up, the file says so and still proves the rest."""
    erased = parts(order_content=None, labels=(label("j-1", content=None, picture_png=None),))
    file = evidence(erased, START)
    assert () == check_file(to_json(file), PUBLIC).faults
    assert "was erased when its time was up" in text_of(file)
    assert "bytes were erased" in file.labels[0].note


def test_parcel_without_scan_or_proof_says_so() -> None:
    """A file made too early does not look like one that proves something."""
    texts, entries = sealed(FACTS[:4])
    del texts
    file = evidence(parts(entries=tuple(entries), proof=None), START)
    text = text_of(file)
    assert "No verifying scan" in text
    assert "nothing is proved" in text


def test_paper_shows_what_the_file_holds() -> None:
    """The PDF carries the facts that a reader looks for, and the same file gives the same bytes."""
    text = text_of(whole())
    for words in (
        "Evidence for parcel p-5f20c1",
        "The right label was read from the finished bag on 2026-11-25 09:16:47 +0100",
        "TEE-M-BLUE",
        "po-250x350: 250 x 350 mm",
        "needs 241.4 mm of width, has 200.0",
        "sending to printed",
        "the station said so",
        "no read (refused)",
        whole().proof.checkpoint.root,  # type: ignore[union-attr]
        "page 1 of",
    ):
        assert words in text
    assert to_pdf(whole()) == to_pdf(whole())


def test_signs_that_the_paper_lacks_are_said_to_be_missing() -> None:
    """A name in letters that the paper has not is not passed over in silence."""
    name = "\u4f8b\u3048 \ud55c"
    to = ORDER.ship_to.model_copy(update={"name": name})  # type: ignore[union-attr]
    content = ORDER.model_copy(update={"ship_to": to}).model_dump_json(exclude_defaults=True)
    text = text_of(evidence(parts(order_content=content.encode()), START))
    assert "\ufffd\ufffd \ufffd" in text
    assert "the JSON has them" in text
    assert "the JSON has them" not in text_of(whole())


def test_long_label_is_cut_in_the_paper_only() -> None:
    """Thousands of bytes do not make a book; the JSON has them all."""
    long = b"^XA" + b"\x00\xff" * 5000 + b"^XZ"
    file = evidence(parts(labels=(label("j-1", content=long),)), START)
    assert long == b64decode(file.labels[0].content_base64 or "")
    assert "stand only in the JSON file" in text_of(file)


def test_proof_of_another_ledger_does_not_back_the_story() -> None:
    """A valid proof of other entries does not lend its weight to this story."""
    texts, _ = sealed(FACTS[:1])
    report = check_file(to_json(evidence(parts(proof=proved(texts)), START)), PUBLIC)
    assert any("has no proof in the file" in fault for fault in report.faults)
