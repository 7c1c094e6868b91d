"""`bagrelay study` as a planner types it: tables, JSON, CSV, and words for what is wrong."""

import csv
import json
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gateway.commands.root import app
from gateway.study import StudyWrong, past_order_of, questions_of
from schemas.site import Site
from schemas.study import PastOrder, StudyAnswer, StudyFile
from tests.unit.fit.given import box, order
from tests.unit.study.planned import MORNING

EXAMPLES = Path(__file__).parents[3] / "examples"
sys.path.insert(0, str(EXAMPLES))

from past_orders import past_orders  # noqa: E402

from gateway.site_file import load  # noqa: E402

ROOM, STUDY = EXAMPLES / "room.toml", EXAMPLES / "study.toml"


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sixty orders of the example's week."""
    path = tmp_path_factory.mktemp("study") / "past.jsonl"
    lines = [one.model_dump_json(exclude_defaults=True) for one in past_orders(60)]
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def _asked(*more: str | Path) -> list[str]:
    return ["study", *map(str, more), "--site", str(ROOM), "--study", str(STUDY)]


def test_json_is_the_whole_answer_and_csv_the_curve(past: Path, tmp_path: Path) -> None:
    """The JSON is the model's; the sheet has a row for each point and the same figures."""
    sheet = tmp_path / "curve.csv"
    result = CliRunner().invoke(app, [*_asked(past), "--json", "--csv", str(sheet)])
    assert 0 == result.exit_code, result.stderr
    answer = StudyAnswer.model_validate_json(result.stdout)
    assert 60 == answer.orders
    with sheet.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["bags"].split() for row in rows] == [list(point.bags) for point in answer.curve]
    told = [point.totals.film_m2 for point in answer.curve]
    assert told == pytest.approx([float(row["film_m2"]) for row in rows], abs=1e-6)


def test_tables_hold_every_part_and_the_cautions(past: Path) -> None:
    """Curve, alternatives, stations, stock; and that it only advises."""
    result = CliRunner().invoke(app, _asked(past))
    assert 0 == result.exit_code, result.stderr
    for part in (
        "60 orders on",
        "What each number of sizes takes",
        "film sealed to width",
        "Stations, by replay",
        "Stations, by formula",
        "Stock of the chosen",
        "advises and promises nothing",
        "machine's manual and by local codes",
    ):
        assert part in " ".join(result.stdout.split())


def test_lines_that_are_no_orders_are_named_and_left_out(past: Path) -> None:
    """The rest is answered; the exit code says that something was left out."""
    lines = past.read_text(encoding="utf-8") + '\nnot json\n{"order_id": "x", "lines": []}\n[1]\n'
    result = CliRunner().invoke(app, [*_asked("-"), "--json"], input=lines)
    assert 1 == result.exit_code
    assert 60 == json.loads(result.stdout)["orders"]
    for said in (
        "-:61: left out: not JSON",
        "-:62: left out: order.lines",
        "-:63: left out: not a",
    ):
        assert said in result.stderr


@pytest.mark.parametrize(
    ("change", "place", "text"),
    [
        (("aim = ", "aims = "), "aims", "aims: Extra inputs are not permitted"),
        (('"least_film"', '"cheap"'), "aim", "aim: Input should be 'least_film' or 'least_cost'"),
        (("availability = 0.85", "availability = 1.2"), "availability", "stations.availability"),
        (("pieces = 500", ""), "[[pack]]", "either pieces or metres"),
    ],
)
def test_study_file_is_told_line_by_line(
    past: Path, tmp_path: Path, change: tuple[str, str], place: str, text: str
) -> None:
    """File, line, place and what is the matter; exit code 2 and no answer."""
    wrong = tmp_path / "study.toml"
    told = STUDY.read_text(encoding="utf-8").replace(*change)
    wrong.write_text(told, encoding="utf-8")
    (line,) = [n for n, one in enumerate(told.splitlines(), 1) if one.startswith(place)]
    result = CliRunner().invoke(
        app, ["study", str(past), "--site", str(ROOM), "--study", str(wrong)]
    )
    assert (2, "") == (result.exit_code, result.stdout)
    assert f"study.toml:{line}: " in result.stderr
    assert text in result.stderr


@pytest.mark.parametrize(
    ("orders", "study_text", "text"),
    [
        ("", None, "no orders to study"),
        (None, "", "station: Field required"),
        (None, "= 1", "not TOML"),
        (None, 'station = "bench"\ncandidates = ["nope"]', "there is no bag 'nope'"),
    ],
)
def test_what_can_not_be_studied_is_said(
    past: Path, tmp_path: Path, orders: str | None, study_text: str | None, text: str
) -> None:
    """Exit code 2, words on standard error, nothing on standard output."""
    study, given = tmp_path / "study.toml", tmp_path / "orders.jsonl"
    study.write_text(STUDY.read_text("utf-8") if study_text is None else study_text, "utf-8")
    given.write_text(past.read_text("utf-8") if orders is None else orders, "utf-8")
    result = CliRunner().invoke(
        app, ["study", str(given), "--site", str(ROOM), "--study", str(study)]
    )
    assert (2, "") == (result.exit_code, result.stdout)
    assert text in result.stderr


def test_file_that_is_not_there_is_said() -> None:
    """As every command does."""
    result = CliRunner().invoke(app, _asked("nowhere.jsonl"))
    assert (2, "") == (result.exit_code, result.stdout)
    assert "nowhere.jsonl: No such file" in result.stderr


def test_line_may_be_an_order_an_order_with_time_or_a_scan_s_event() -> None:
    """All three say the same; events about something else say nothing."""
    asked = order(box(90, 60, 10))
    plain = asked.model_dump_json(exclude_defaults=True)
    at = MORNING.isoformat()
    event = {
        "specversion": "1.0",
        "id": "1",
        "source": "/wms",
        "type": "bagrelay.order.scanned.v1",
        "time": at,
        "data": {"station": "s1", "code": "c", "order": json.loads(plain)},
    }
    timed = PastOrder(at=MORNING, order=asked)
    assert PastOrder(order=asked) == past_order_of(plain.encode())
    assert timed == past_order_of(f'{{"at": "{at}", "order": {plain}}}'.encode())
    assert timed == past_order_of(json.dumps(event).encode())
    other = event | {"type": "bagrelay.label.scanned.v1"}
    assert past_order_of(json.dumps(other).encode()) is None
    event["data"] = {"station": "s1", "code": "c"}
    with pytest.raises(StudyWrong, match="the event brings no order"):
        past_order_of(json.dumps(event).encode())


def test_example_fits_the_example_room() -> None:
    """Every name of the example study is in the room, and its orders are the same each time."""
    import tomllib

    site: Site = load(ROOM)
    asked = StudyFile.model_validate(tomllib.loads(STUDY.read_text(encoding="utf-8")))
    assert "bench" == questions_of(asked, site).station.id
    assert list(past_orders(50)) == list(past_orders(50))
    assert all(one.at is not None for one in past_orders(50))
