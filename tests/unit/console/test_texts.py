"""Texts, files of others, and headers of the pages."""

import re
from hashlib import sha256
from pathlib import Path

import pytest

from gateway.console.assets import FOLDER
from gateway.console.texts import FILE, Texts
from schemas.cases import AffectedWhy, CaseKind, CaseState
from schemas.decision import Outcome
from schemas.desk import Answer
from schemas.job import JobState
from schemas.ledger import EntryKind
from schemas.scan import ScanVerdict
from schemas.station import MachineState

TEMPLATES = FILE.parent / "templates"
USED = re.compile(r"\bt\('([a-z_.]+)'[,)]|texts\(\"([a-z_.]+)\"")


def _used() -> set[str]:
    files = [*TEMPLATES.glob("*.html"), *FILE.parent.glob("*.py")]
    found = [USED.findall(path.read_text(encoding="utf-8")) for path in files]
    return {one or other for names in found for one, other in names}


def test_every_text_that_a_page_asks_for_is_there() -> None:
    """No page can break for want of a text."""
    asked = _used()
    assert len(asked) > 100
    assert set() == asked - Texts().names()


GROUPS = {
    "entry": EntryKind,
    "job": JobState,
    "machine": MachineState,
    "verdict": ScanVerdict,
    "case": CaseKind,
    "case_cause": CaseKind,
    "case_state": CaseState,
    "affected_why": AffectedWhy,
    "affected_do": AffectedWhy,
    "answer": Answer,
    "answer_means": Answer,
    "outcome": Outcome,
}


@pytest.mark.parametrize("group", GROUPS)
def test_every_value_of_a_closed_set_has_its_words(group: str) -> None:
    """A new state, kind or verdict can't reach a page without words for people."""
    wanted = {f"{group}.{value.value}" for value in GROUPS[group]}
    assert set() == wanted - Texts().names()


def test_every_hold_says_what_to_do() -> None:
    """Each kind of hold that a scan can cause has a name and an instruction."""
    good = {ScanVerdict.MATCH, ScanVerdict.REPEAT}
    wanted = {verdict.value for verdict in ScanVerdict if verdict not in good}
    kinds = wanted | {"by_hand", "left_unscanned", "misconfigured"}
    texts = Texts()
    assert [] == [kind for kind in sorted(kinds) if not texts.has(f"hold.{kind}")]
    assert [] == [kind for kind in sorted(kinds) if not texts.has(f"hold_do.{kind}")]


def test_translation_may_lack_texts_but_not_invent_them(tmp_path: Path) -> None:
    """What a translation lacks is told in English; a name that no page knows is refused."""
    file = tmp_path / "pt.toml"
    file.write_text('[floor]\ntitle = "Chão"\n', encoding="utf-8")
    texts = Texts(file)
    assert ("Chão", "All stations") == (texts("floor.title"), texts("floor.all"))
    file.write_text('[floor]\ntitel = "x"\n', encoding="utf-8")
    with pytest.raises(ValueError, match=r"floor\.titel"):
        Texts(file)


def test_files_of_others_are_the_ones_that_are_named() -> None:
    """Each file under vendor is listed with its digest, and none is there unlisted."""
    vendor = FOLDER / "vendor"
    told = (vendor / "VENDOR.txt").read_text(encoding="utf-8")
    lines = [line.split() for line in told.splitlines() if ".js " in line]
    listed = {line[0]: line[-1] for line in lines}
    there = {path.name: sha256(path.read_bytes()).hexdigest() for path in vendor.glob("*.js")}
    assert there == listed
    assert {"0BSD"} == {line[3] for line in lines}


def test_pages_name_no_other_host_and_run_no_inline_script() -> None:
    """Neither templates nor our style and script name an address elsewhere."""
    files = [*TEMPLATES.glob("*.html"), FOLDER / "console.css", FOLDER / "live.js"]
    for path in files:
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"https?://(?!www\.w3\.org)", text), path.name
        assert not re.search(r"<script>|\son[a-z]+=\"|\sstyle=", text), path.name
