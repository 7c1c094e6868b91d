"""`bagrelay inspect`: JSON on standard output, an exit code that a script can act on."""

import json
from pathlib import Path

import pytest
import typer
from PIL import Image
from typer.testing import CliRunner

from gateway.commands.inspect import inspect_label
from label_read.given import VECTORS

app = typer.Typer()
app.command()(inspect_label)
run = CliRunner().invoke


@pytest.mark.parametrize("name", ["carrier-4x6.zpl", "every-symbol.epl"])
def test_good_label_is_told_as_json_and_drawn(name: str, tmp_path: Path) -> None:
    """Language and resolution need not be stated; the picture is a PNG of the label's size."""
    picture = tmp_path / "label.png"
    result = run(app, [str(VECTORS / name), "--picture", str(picture)])
    told = json.loads(result.stdout)
    assert {"symbology", "data", "x_mm", "y_mm", "module_mm", "height_mm"} <= set(
        told["labels"][0]["symbols"][0]
    )
    with Image.open(picture) as image:
        assert (812, 1218) == image.size
    assert 101.5 == told["labels"][0]["width_mm"]


def test_error_makes_the_exit_code_1(tmp_path: Path) -> None:
    """A label that must not print is told by the exit code, with offset and severity."""
    label = tmp_path / "bad.zpl"
    label.write_bytes(b"^XA^FO1,1^FDx^FS~JR^XZ")
    result = run(app, [str(label), "--language", "zpl"])
    found = [f for f in json.loads(result.stdout)["labels"][0]["findings"] if f["offset"] == 16]
    assert (1, "forbidden_command", "error") == (
        result.exit_code,
        found[0]["code"],
        found[0]["severity"],
    )
    assert 0 == run(app, [str(label), "--language", "zpl", "--allow", "~JR"]).exit_code


def test_stated_resolution_sets_the_size(tmp_path: Path) -> None:
    """At 300 dpi 1181 dots are 100 mm."""
    label = tmp_path / "label.zpl"
    label.write_bytes(b"^XA^PW1181^LL1772^FO1,1^FDx^FS^XZ")
    told = json.loads(run(app, [str(label), "--dpi", "300"]).stdout)
    assert 99.992 == told["labels"][0]["width_mm"]


def test_missing_file_is_a_clear_error() -> None:
    """Exit code 2 tells a wrong call from a wrong label."""
    result = run(app, ["no-such-label.zpl"])
    assert 2 == result.exit_code
