"""Proof files hold for what is in the ledger and for nothing else."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
import typer
from chains import KEY, chain, checkpoint_of, tree_of
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from gateway.commands import ledger_proof
from gateway.ledger.checkpoint import new_key, public_pem
from gateway.ledger.merkle import leaf_hash, with_small_nodes
from gateway.ledger.proof import (
    NotProvable,
    check_proof,
    prove_entries,
    prove_entries_by_tree,
    prove_growth,
    prove_growth_by_tree,
    to_text,
    withhold,
)

SIZE = 21
ROWS = chain(SIZE)
TEXTS = [row.canonical for row in ROWS]
SIGNED = checkpoint_of(ROWS)
PUBLIC = KEY.public_key()


def entries_file(*seqs: int) -> dict[str, object]:
    return json.loads(to_text(prove_entries(TEXTS, seqs, SIGNED, about="order SO-1")))


def growth_file(earlier: int, later: int) -> dict[str, object]:
    proof = prove_growth(TEXTS, checkpoint_of(ROWS[:earlier]), checkpoint_of(ROWS[:later]))
    return json.loads(to_text(proof))


@given(st.sets(st.integers(1, SIZE), min_size=1))
def test_any_entries_are_proved(seqs: set[int]) -> None:
    """Whatever entries are asked for, their file holds under the site's key."""
    report = check_proof(json.dumps(entries_file(*seqs)), PUBLIC)
    assert () == report.faults
    assert len(seqs) == len(report.proved)


@given(st.integers(1, SIZE), st.integers(1, SIZE))
def test_any_growth_is_proved(one: int, other: int) -> None:
    """Any two checkpoints of one ledger prove that the later extends the earlier."""
    report = check_proof(json.dumps(growth_file(min(one, other), max(one, other))), PUBLIC)
    assert () == report.faults
    assert 1 == len(report.proved)


@given(st.integers(1, SIZE), st.data())
def test_altered_entry_is_not_proved(seq: int, data: st.DataObject) -> None:
    """A text altered anywhere, even to a sensible one, fails and is named."""
    proof = entries_file(seq)
    text = proof["entries"][0]["canonical"]
    at = data.draw(st.integers(1, len(text) - 2))
    proof["entries"][0]["canonical"] = (
        text[:at] + ("x" if text[at] != "x" else "y") + text[at + 1 :]
    )
    report = check_proof(json.dumps(proof), PUBLIC)
    assert f"Entry {seq} is not in the ledger that the checkpoint signs." in report.faults
    assert () == report.proved


def test_entry_is_not_proved_under_another_number() -> None:
    """The number of an entry is proved with it."""
    proof = entries_file(5)
    proof["entries"][0]["seq"] = 6
    assert not check_proof(json.dumps(proof), PUBLIC).ok


def test_text_that_was_sealed_elsewhere_is_told_from_an_entry() -> None:
    """A leaf in the tree whose text is not an entry of that number fails."""
    rows = [replace(ROWS[0], canonical=b"[]"), replace(ROWS[1], canonical=ROWS[0].canonical)]
    proof = prove_entries([row.canonical for row in rows], {1, 2}, checkpoint_of(rows), about="x")
    faults = check_proof(to_text(proof), PUBLIC).faults
    assert 2 == sum("not that of an entry of this number" in fault for fault in faults)


@given(st.sets(st.integers(1, SIZE), min_size=1), st.sets(st.integers(1, SIZE)))
def test_withheld_entry_is_proved_without_its_text(seqs: set[int], hidden: set[int]) -> None:
    """An entry whose text is kept back still stands in the ledger, and nothing of it shows."""
    proof = withhold(prove_entries(TEXTS, seqs, SIGNED, about="x"), hidden)
    text = to_text(proof)
    report = check_proof(text, PUBLIC)
    assert () == report.faults
    assert len(seqs & hidden) == sum("withheld" in line for line in report.proved)
    assert all(f'"J{seq}\\"' not in text for seq in seqs & hidden)
    assert all(f'"J{seq}\\"' in text for seq in seqs - hidden)


def test_entry_needs_its_text_or_its_hash() -> None:
    """A proof with neither, or with both, is no proof."""
    proof = entries_file(3)
    proof["entries"][0]["leaf"] = "ab" * 32
    assert not check_proof(json.dumps(proof)).ok
    del proof["entries"][0]["canonical"]
    assert any("not in the ledger" in fault for fault in check_proof(json.dumps(proof)).faults)
    del proof["entries"][0]["leaf"]
    assert not check_proof(json.dumps(proof)).ok


def test_broken_link_between_neighbours_shows() -> None:
    """Entries that stand side by side in the tree must be sealed upon each other."""
    rows = [ROWS[0], chain(2, changed=1)[1]]
    proof = prove_entries([row.canonical for row in rows], {1, 2}, checkpoint_of(rows), about="x")
    assert ("Entry 2 was not sealed upon entry 1.",) == check_proof(to_text(proof), PUBLIC).faults


def test_last_entry_must_be_the_one_signed_as_last() -> None:
    """The checkpoint's last hash is held against the entry that ends the ledger."""
    signed = checkpoint_of(chain(SIZE, changed=SIZE))
    forged = signed.model_copy(update={"root": SIGNED.root})
    proof = prove_entries(TEXTS, {SIZE}, forged, about="x")
    assert any("names as last" in fault for fault in check_proof(to_text(proof), PUBLIC).faults)


def test_forgers_key_passes_only_where_no_key_is_known() -> None:
    """Without the site's key the file is only whole in itself, and the report says so."""
    forged = checkpoint_of(ROWS, key=new_key())
    text = to_text(prove_entries(TEXTS, {3}, forged, about="x"))
    alone = check_proof(text)
    assert alone.ok
    assert any(forged.public_key in caution for caution in alone.cautions)
    known = check_proof(text, PUBLIC)
    assert any("not the key that was given" in fault for fault in known.faults)


@pytest.mark.parametrize("member", ["root", "last_hash"])
def test_altered_checkpoint_fails(member: str) -> None:
    """A checkpoint that was altered after signing carries no proof."""
    proof = entries_file(3)
    proof["checkpoint"][member] = "ab" * 32
    faults = check_proof(json.dumps(proof), PUBLIC).faults
    assert any("valid signature" in fault for fault in faults)


def test_rewritten_ledger_is_not_growth() -> None:
    """A later ledger that changed a signed entry does not extend the earlier checkpoint."""
    other = chain(SIZE, changed=4)
    texts, earlier, later = [row.canonical for row in other], ROWS[:9], checkpoint_of(other)
    with pytest.raises(NotProvable, match="not those that the checkpoints"):
        prove_growth(texts, checkpoint_of(earlier), later)
    forged = prove_growth(texts, checkpoint_of(other[:9]), later)
    forged = forged.model_copy(update={"earlier": checkpoint_of(earlier)})
    faults = check_proof(to_text(forged), PUBLIC).faults
    assert any("does not begin with" in fault for fault in faults)


@given(st.sets(st.integers(1, SIZE), min_size=1), st.integers(0, 5))
def test_stored_tree_gives_the_same_proofs_as_the_entries(seqs: set[int], lowest: int) -> None:
    """A store that keeps nodes from some level on proves what reading everything proves."""
    tree = tree_of(ROWS)

    def stored(level: int, index: int) -> bytes:
        assert level >= lowest
        return tree.node(level, index)

    def leaves(start: int, end: int) -> list[bytes]:
        return [leaf_hash(text) for text in TEXTS[start:end]]

    node = with_small_nodes(stored, leaves, lowest)
    texts = {seq: TEXTS[seq - 1] for seq in seqs}
    read = prove_entries(TEXTS, seqs, SIGNED, about="x")
    assert read == prove_entries_by_tree(node, texts, SIGNED, about="x")
    earlier = checkpoint_of(ROWS[: min(seqs)])
    assert prove_growth(TEXTS, earlier, SIGNED) == prove_growth_by_tree(node, earlier, SIGNED)


def test_growth_between_two_ledgers_or_backwards_in_time_fails() -> None:
    """Checkpoints of different origin, or of swapped times, are not one ledger's growth."""
    proof = growth_file(3, 9)
    proof["earlier"]["origin"] = "another room"
    assert any("two ledgers" in f for f in check_proof(json.dumps(proof), PUBLIC).faults)
    proof = growth_file(3, 9)
    proof["earlier"]["time"] = "2027-01-01T00:00:00Z"
    assert any("before the earlier" in f for f in check_proof(json.dumps(proof), PUBLIC).faults)


@pytest.mark.parametrize("seqs", [set(), {0}, {SIZE + 1}, {-1, 2}])
def test_entry_beyond_the_checkpoint_is_refused(seqs: set[int]) -> None:
    """What the checkpoint does not cover cannot be proved; the error says what to do."""
    with pytest.raises(NotProvable, match="Sign a new checkpoint"):
        prove_entries(TEXTS, seqs, SIGNED, about="x")


def test_ledger_that_is_not_the_signed_one_is_refused() -> None:
    """A proof is never written over entries that contradict the checkpoint, or too few."""
    with pytest.raises(NotProvable, match="Entry 3 is not among"):
        prove_entries([row.canonical for row in chain(SIZE, changed=2)], {3}, SIGNED, about="x")
    with pytest.raises(NotProvable, match="tail is missing"):
        prove_entries(TEXTS[:-1], {3}, SIGNED, about="x")
    with pytest.raises(NotProvable, match="from 9 to 3"):
        prove_growth(TEXTS, checkpoint_of(ROWS[:9]), checkpoint_of(ROWS[:3]))


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", '{"type": "other"}', '{"type": "bagrelay.proof.entries.v1"}', "\x00"],
)
def test_text_that_is_no_proof_is_a_fault(text: str) -> None:
    """Junk is reported, with the member that is wrong, and proves nothing."""
    report = check_proof(text)
    assert not report.ok
    assert report.faults[0].startswith("This is no proof file: ")


def run(*arguments: str, stdin: bytes | None = None) -> tuple[int, str]:
    app = typer.Typer()
    app.command()(ledger_proof.check_proof)
    result = CliRunner().invoke(app, list(arguments), input=stdin)
    return result.exit_code, result.output


def test_command_answers_by_exit_code(tmp_path: Path) -> None:
    """0 holds, 1 does not hold, 2 can't be read: for a person's eyes and for scripts."""
    proof, key, junk = tmp_path / "proof.json", tmp_path / "key.pem", tmp_path / "junk.pem"
    proof.write_text(json.dumps(entries_file(3)))
    key.write_bytes(public_pem(PUBLIC))
    junk.write_text("junk")
    code, output = run(str(proof), "--key", str(key))
    assert (0, True) == (code, output.startswith("The proof holds.\nEntry 3 (job.moved"))
    assert 0 == run("-", "--key", str(key), stdin=proof.read_bytes())[0]
    key.write_bytes(public_pem(new_key().public_key()))
    code, output = run(str(proof), "--key", str(key), "--json")
    assert (1, False) == (code, json.loads(output)["ok"])
    assert 2 == run(str(tmp_path / "absent.json"))[0]
    assert 2 == run(str(proof), "--key", str(junk))[0]
