"""Stories are read from ledger entries as they were written, and only from what is proved."""

from datetime import UTC, datetime, timedelta

from pydantic import JsonValue

from gateway.ledger.epcis import StepKind, StoryLine
from gateway.ledger.epcis_story import stories
from schemas.ledger import EntryKind, LedgerEntry

START = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
SSCC = "395212340000000175"
LINES: list[JsonValue] = [
    {"line_id": "1", "sku": "TEE-M", "gtin": "9521234543213", "quantity": 2},
    {"line_id": "2", "sku": "CAP", "gtin": None, "quantity": 1},
]


def ledger(*facts: tuple[EntryKind, str, dict[str, JsonValue]]) -> list[LedgerEntry]:
    """Entries of parcel P-1, each (kind, job, data)."""
    return [
        LedgerEntry(
            seq=seq,
            time=START + timedelta(seconds=seq),
            kind=kind,
            order_id="SO-1",
            parcel_id="P-1",
            job_id=job,
            station="bench-1",
            actor="gateway",
            data=data,
            prev="0" * 64,
            hash="0" * 64,
        )
        for seq, (kind, job, data) in enumerate(facts, start=1)
    ]


def created(job: str, sscc: str | None = SSCC) -> tuple[EntryKind, str, dict[str, JsonValue]]:
    return EntryKind.JOB_CREATED, job, {"sscc": sscc, "lines": LINES}


def moved(job: str, to: str) -> tuple[EntryKind, str, dict[str, JsonValue]]:
    return EntryKind.JOB_MOVED, job, {"from": "queued", "to": to, "reason": "why"}


def steps_of(*facts: tuple[EntryKind, str, dict[str, JsonValue]]) -> list[tuple[StepKind, str]]:
    return [(step.kind, step.job_id) for story in stories(ledger(*facts)) for step in story.steps]


def test_bag_that_went_right_is_told_with_its_lines() -> None:
    """Lines and SSCC come from the job's creation, the steps from its moves, at their times."""
    (story,) = stories(
        ledger(
            created("J1"),
            moved("J1", "sending"),
            moved("J1", "sent"),
            moved("J1", "printed"),
            moved("J1", "verified"),
        )
    )
    assert (StoryLine("TEE-M", 2, "9521234543213"), StoryLine("CAP", 1)) == story.lines
    assert [StepKind.LABELLED, StepKind.VERIFIED, StepKind.PACKED] == [s.kind for s in story.steps]
    assert START + timedelta(seconds=3) == story.steps[0].time
    assert {SSCC} == {step.sscc for step in story.steps}


def test_label_in_doubt_is_not_told_until_it_is_settled() -> None:
    """Nobody knows whether it printed: nothing is commissioned, and its void ends nothing."""
    doubt = (created("J1"), moved("J1", "sending"), moved("J1", "in_doubt"))
    assert [] == steps_of(*doubt)
    assert [] == steps_of(*doubt, moved("J1", "void"))
    assert [(StepKind.LABELLED, "J1")] == steps_of(*doubt, moved("J1", "printed"))


def test_reprint_is_a_second_label_of_the_same_parcel() -> None:
    """Void and reprint are told of one parcel, each by its job."""
    told = steps_of(
        created("J1"),
        moved("J1", "sent"),
        moved("J1", "void"),
        created("J2"),
        moved("J2", "sent"),
        moved("J2", "closed"),
    )
    assert [
        (StepKind.LABELLED, "J1"),
        (StepKind.VOIDED, "J1"),
        (StepKind.LABELLED, "J2"),
        (StepKind.PACKED, "J2"),
    ] == told


def test_cancelled_and_refused_labels_leave_no_story() -> None:
    """What never printed has no parcel to tell of."""
    assert [] == steps_of(created("J1"), moved("J1", "cancelled"))
    assert [] == steps_of(created("J1"), moved("J1", "sending"), moved("J1", "refused"))


def test_unreadable_lines_are_left_out_rather_than_guessed() -> None:
    """Lines that are not as this release writes them add nothing."""
    odd: list[JsonValue] = ["x", {"sku": "A"}, {"quantity": 1}, {"sku": "B", "quantity": "2"}]
    entries = ledger((EntryKind.JOB_CREATED, "J1", {"lines": odd}), moved("J1", "sent"))
    assert () == stories(entries)[0].lines
