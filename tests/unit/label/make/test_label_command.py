"""`bagrelay label` on real files."""

from pathlib import Path

import pytest
import typer
from rigs.label_demo import ORDER
from typer.testing import CliRunner

from gateway.commands.label import label

app = typer.Typer()
app.command()(label)


def run(*arguments: str) -> tuple[int, bytes, str]:
    """Exit code, standard output and standard error."""
    result = CliRunner().invoke(app, list(arguments))
    return result.exit_code, result.stdout_bytes, result.stderr


def test_without_a_template_lists_those_there_are() -> None:
    """Every template that comes along is named with its size."""
    code, said, _ = run()
    assert 0 == code
    assert b"parcel-4x6     101.6 x 152.4 mm" in said


def test_makes_a_packing_note_of_an_order(tmp_path: Path) -> None:
    """An order file becomes a stream, and standard error says which code must be read."""
    (tmp_path / "order.json").write_text(ORDER.model_dump_json(), encoding="utf-8")
    out = tmp_path / "note.zpl"
    code, _, told = run(
        *("manual-note", "--order", str(tmp_path / "order.json"), "--set", "reason=No bag fits"),
        *("--out", str(out)),
    )
    assert 0 == code, told
    assert out.read_bytes().startswith(b"^XA^CI28")
    assert f"must be read from it: '{ORDER.order_id}'" in told


@pytest.mark.parametrize(("name", "magic"), [("x.png", b"\x89PNG"), ("x.pdf", b"%PDF")])
def test_a_picture_by_its_ending(tmp_path: Path, name: str, magic: bytes) -> None:
    """The ending of the file decides what is drawn."""
    out = tmp_path / name
    code, _, told = run(
        *("warning", "--set", "warning=Keep away from children", "--set", "warning_pt=14"),
        *("--out", str(out)),
    )
    assert 0 == code, told
    assert out.read_bytes().startswith(magic)


def test_refused_label_and_wrong_file_have_their_own_exit_codes(tmp_path: Path) -> None:
    """1 for a label that can't be made, 2 for a file that is not there or is not right."""
    assert 1 == run("parcel-4x6")[0]
    assert 1 == run("no-such-template")[0]
    assert 2 == run("warning", "--fields", str(tmp_path / "none.json"))[0]
    assert 2 == run("warning", "--set", "no equals sign")[0]
    (tmp_path / "t.toml").write_text("width_mm = 'wide'\n", encoding="utf-8")
    code, _, told = run(str(tmp_path / "t.toml"))
    assert 1 == code
    assert "template t, line 1: " in told
