"""A site file is read whole or refused with findings that name the line and what to do."""

import json
import tomllib
from pathlib import Path

import pytest
import tomlkit
import typer
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from gateway.commands.check import check
from gateway.site_checks import cross_checks
from gateway.site_file import Finding, Severity, SiteFileWrong, load, read_text
from gateway.toml_places import Path as TomlPath
from gateway.toml_places import places

ROOM = Path(__file__).parents[2] / "examples" / "room.toml"


def _room(*changes: tuple[str, str]) -> str:
    text = ROOM.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, f"the example no longer holds {old!r}"
        text = text.replace(old, new, 1)
    return text


def _line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


def _findings(text: str) -> list[Finding]:
    reading = read_text(text)
    return [*reading.findings, *cross_checks(reading)]


def _only(text: str, severity: Severity) -> Finding:
    (finding,) = [f for f in _findings(text) if f.severity is severity]
    return finding


# --- places ---------------------------------------------------------------------------------------

_KEYS = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), min_size=1)
_VALUES = st.recursive(
    st.booleans()
    | st.integers(-(2**40), 2**40)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec="utf-8", exclude_categories=("Cs",))),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_KEYS, inner, max_size=4),
    max_leaves=20,
)


def _every_path(value: object, path: TomlPath = ()) -> list[TomlPath]:
    inside: list[TomlPath] = [path]
    if isinstance(value, dict):
        for key, each in value.items():
            inside += _every_path(each, (*path, key))
    if isinstance(value, list):
        for index, each in enumerate(value):
            inside += _every_path(each, (*path, index))
    return inside


@given(st.dictionaries(_KEYS, _VALUES, max_size=6))
def test_written_document_has_a_place_for_every_part(document: dict[str, object]) -> None:
    """Whatever an independent writer (tomlkit) writes, each path of it is found, and no other."""
    text = tomlkit.dumps(document)
    assert set(_every_path(tomllib.loads(text))) == set(places(text))


def test_place_is_the_line_of_the_key() -> None:
    """Comments, multi-line strings, dotted and quoted keys and nested arrays do not shift a line.

    Source: the forms are those of the TOML 1.0.0 specification (from memory); lines counted by eye.
    """
    text = '''# one
a = """
[not.a.table]
""" # five
b."c # d".e = [ # six
  1,
  { f = 2, g = ']' },

]
[[t]]
x = 1
[[t.u]]
y = 'a''b'
'''.replace("'a''b'", "'ab'")
    found = places(text)
    assert {
        ("a",): 2, ("b",): 5, ("b", "c # d", "e"): 5, ("b", "c # d", "e", 0): 6,
        ("b", "c # d", "e", 1): 7, ("b", "c # d", "e", 1, "g"): 7, ("t", 0): 10,
        ("t", 0, "x"): 11, ("t", 0, "u", 0): 12, ("t", 0, "u", 0, "y"): 13,
    }.items() <= found.items()  # fmt: skip


def test_windows_line_ends_count_once() -> None:
    """A file saved with carriage returns tells the same lines."""
    assert places("a = 1\nb = 2\n") == places("a = 1\r\nb = 2\r\n")


# --- reading --------------------------------------------------------------------------------------


def test_example_room_is_good() -> None:
    """The commented example loads, with notes only."""
    assert {Severity.NOTE} == {f.severity for f in _findings(_room())}
    assert ["bench", "floor", "line", "inbound"] == [s.id for s in load(ROOM).station]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("bags_ahead = 1", "bag_ahead = 1", "did you mean `bags_ahead`?"),
        ('film = "clear-38"', 'film = "clear-83"', "there is no film 'clear-83' in the file"),
        ('bag = "tube-400"', 'bag = "tube-440"', "did you mean `tube-400`?"),
        ("min_length_mm = 180\n", "", "`min_length_mm` is missing"),
        ("lip_mm = 50", "min_length_mm = 50", "`min_length_mm` is not for an entry of this form"),
        ('form = "sealed_film"', 'form = "film"', "pre_opened, tubing, sealed_film"),
        ("dots_per_mm = 11.811", "dots_per_mm = 300", "state dots per mm, not dpi"),
        ('country = "PT"', 'country = "Portugal"', "two capital letters"),
        ("/orders/{code}", "/orders/", "with {code} where the scanned code goes"),
        ('shape = ["soft"]', 'shape = ["sofft"]', "it is 'sofft'"),
        ('company_prefix = "9521234"', "company_prefix = 9521234", "must be a valid string"),
        ('id = "us-ma"', 'id = "US MA"', "must be lower-case letters"),
        ("effect.demand = [\"hang_hole\"]", "effect.demand = []", "the rule has no effect"),
        ('warning_text = "goods-in"', 'warning_text = "goodsin"', "did you mean `goods-in`?"),
        ("port = 9103", "port = [[1]]", "must be a text, a number, true or false"),
    ],
)  # fmt: skip
def test_wrong_line_is_named_with_what_to_do(old: str, new: str, says: str) -> None:
    """Each fault is told once, on its own line (a missing key on its table's), in usable words."""
    text = _room((old, new))
    (finding,) = read_text(text).findings
    nearest = _line_of(_room(), old) if new == "" else _line_of(text, new)
    assert finding.line is not None
    assert 0 <= nearest - finding.line <= (8 if new in ("", "effect.demand = []") else 0)
    assert says.lower() in finding.sentence().lower()


def test_name_given_twice_tells_both_lines() -> None:
    """The second is the one to mend; the first is named."""
    text = _room(('id = "us-ma"', 'id = "us-ri"'))
    (finding,) = read_text(text).findings
    first = _line_of(text, 'id = "us-ri"')
    assert f"the id is given twice, first on line {first}" == finding.text
    assert _line_of(text, 'jurisdiction = "US-MA"') - 1 == finding.line


def test_every_fault_is_told_at_once() -> None:
    """Shape faults and loose names come in one reading, in the order of their lines."""
    text = _room(("bags_ahead", "bag_ahead"), ('film = "white-45"', 'film = "wite-45"'))
    lines = [f.line for f in read_text(text).findings]
    assert [_line_of(text, 'film = "wite-45"'), _line_of(text, "bag_ahead")] == lines


def test_misspelt_entry_is_told_once() -> None:
    """A list whose entries are wrong is not also called empty."""
    text = _room(('kind = "tcp"', 'kin = "tcp"'))
    assert 2 == len(read_text(text).findings)


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("a = 1\nb = tru\n", 2, "not one that TOML knows"),
        ('x = "a\ny = 1\n', 1, "opened and not closed"),
        ("a 1\n", 1, "equals sign"),
        ("[a]\n[a]\n", 2, "second time"),
        ("\n\na = 1,5", 3, "point, not a comma"),
        ('p = "C:\\x"', 1, "single quotes"),
        ("a = [1,\n2", 2, "list is opened"),
    ],
)
def test_broken_toml_names_the_line_and_the_remedy(text: str, line: int, says: str) -> None:
    """A file that is not TOML is told as such, by line, without the parser's own words."""
    (finding,) = read_text(text).findings
    assert (line, True) == (finding.line, says in finding.sentence())


def test_load_raises_with_every_line(tmp_path: Path) -> None:
    """The gateway's own start gets the same findings as an error."""
    file = tmp_path / "site.toml"
    file.write_text(_room(("bags_ahead", "bag_ahead")), encoding="utf-8")
    with pytest.raises(SiteFileWrong, match=r"site\.toml:\d+: error: station bench"):
        load(file)


def test_file_that_is_not_utf8_is_a_finding(tmp_path: Path) -> None:
    """A file in another encoding is refused with the remedy; a byte-order mark is no fault."""
    file = tmp_path / "site.toml"
    file.write_bytes(_room().encode("utf-16"))
    with pytest.raises(SiteFileWrong, match="Save the file as UTF-8"):
        load(file)
    file.write_bytes(b"\xef\xbb\xbf" + _room().encode())
    assert "inbound" == load(file).station[-1].id


@pytest.mark.parametrize("zone", ["", "Mars/Olympus", "../etc/passwd", "Europe", "a\\u0000b"])
def test_unknown_time_zone_is_never_taken_up(zone: str, tmp_path: Path) -> None:
    """Reports and pages reckon in the site's zone, so that no gateway starts without one."""
    file = tmp_path / "site.toml"
    file.write_text(_room(("Europe/Lisbon", zone)), encoding="utf-8")
    with pytest.raises(SiteFileWrong, match="no time zone is called"):
        load(file)


@pytest.mark.parametrize(
    "more", [f"x = {'9' * 5000}", f"x = {'[' * 5000}", f"x = {'[' * 5000}{']' * 5000}"]
)
def test_file_beyond_measure_is_a_finding(more: str, tmp_path: Path) -> None:
    """What the reader of TOML gives up on is told like any other fault of the file."""
    file = tmp_path / "site.toml"
    file.write_text(f"{more}\n{_room()}", encoding="utf-8")
    with pytest.raises(SiteFileWrong, match="too large"):
        load(file)


def test_templates_folder_is_taken_from_the_file(tmp_path: Path) -> None:
    """A relative folder means beside the site file, wherever the gateway is started."""
    file = tmp_path / "site.toml"
    file.write_text(_room(("former_bag", 'templates_dir = "labels"\nformer_bag')), encoding="utf-8")
    assert tmp_path / "labels" == load(file).templates_dir


# --- what is right by itself and wrong together ---------------------------------------------------


REQUIRED_AT_BENCH = 'verify = "required"                              # a shifted'
TWO_IN_ONE_SLOT = 'bag = "tube-260"\nlow_at = 1\n[[station.loaded]]\nbag = "tube-400"'


@pytest.mark.parametrize(
    ("old", "new", "at", "says"),
    [
        ('"Europe/Lisbon"', '"Europe/Lissabon"', "time_zone", "Did you mean"),
        ("port = 9102", "prot = 9102", "prot", "Is `prot` meant for it?"),
        ("port = 9103", "port = 9102", "port = 9102", "same address as station floor"),
        ('kind = "tcp"', 'kind = "tpc"', 'kind = "tpc"', "no station kind 'tpc'"),
        ("label_width_mm = 100.0", "label_width_mm = 105.0", "_width_mm = 105", "8 would be cut"),
        ('bag = "made-to-size"', TWO_IN_ONE_SLOT, 'bag = "tube-400"', "loaded in slot 1"),
        ("sqlite:///bagrelay.db", "postgresql://b:pw@db/bags", "postgresql:", "a password stands"),
        ('"item-warning"', '"item-warnin"', "label_template =", "Did you mean `item-warning`?"),
        (
            "label_height_mm = 100.0",
            "label_height_mm = 30.0",
            "label_width_mm = 100",
            "does not go",
        ),
        ("former_bag", 'templates_dir = "/nowhere"\nformer_bag', "templates_dir", "no folder"),
        ("sqlite:///bagrelay.db", "sqlite:////nowhere/b.db", "sqlite:", "no folder /nowhere"),
        ("from_date = 2026-01-01", "", "service.dimensional_weight", "on the same day (no date)"),
        ("port = 9104", 'port = 9104, password = "x"', "9104", "looks like a secret"),
    ],
)
def test_error_across_lines_is_found(old: str, new: str, at: str, says: str) -> None:
    """What only shows when parts are held together is an error on the line to mend."""
    text = _room((old, new))
    told = {
        f.line for f in _findings(text) if f.severity is Severity.ERROR and says in f.sentence()
    }
    lines = {number for number, line in enumerate(text.splitlines(), 1) if at in line}
    assert told
    assert told <= lines | {number - 1 for number in lines}


def test_a6_label_is_wider_than_a_104_mm_head() -> None:
    """105 mm at 8 dots/mm is 840 dots, a 104 mm head has 832: eight would be cut.

    Source: arithmetic; ISO 216 gives A6 as 105 x 148 mm.
    """
    finding = _only(_room(("label_width_mm = 100.0", "label_width_mm = 105.0")), Severity.ERROR)
    assert "840 dots" in finding.text
    assert "832, so 8 would be cut off" in finding.text


def test_four_inch_label_fits_a_104_mm_head() -> None:
    """101.6 mm at 8 dots/mm is 812.8 dots: within 832, not an error."""
    assert [] == [f for f in _findings(_room()) if "cut off" in f.text]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (REQUIRED_AT_BENCH, 'verify = "optional"  #', "unseen"),
        ("http://127.0.0.1:8090", "http://wms.example:8090", "in clear"),
        ("dots_per_mm = 11.811", "dots_per_mm = 11.0", "no usual head"),
        ("label_height_mm = 100.0", "label_height_mm = 300.0", "can't carry the label"),
        ("thickness_below_um = 50", "thickness_below_um = 5", "can never apply"),
    ],
)
def test_risk_across_lines_is_a_warning(old: str, new: str, says: str) -> None:
    """What runs and goes wrong later is warned of, and does not stop the start."""
    reading = read_text(_room((old, new)))
    assert reading.site is not None
    assert any(
        says in f.sentence() and f.severity is Severity.WARNING for f in cross_checks(reading)
    )


@pytest.mark.parametrize("door", [Severity.ERROR, Severity.WARNING])
def test_listener_that_others_reach_wants_a_closed_door_and_tls(door: Severity) -> None:
    """An open door there stops the start; a closed one without TLS is warned of."""
    changes = [('host = "127.0.0.1"  ', 'host = "0.0.0.0"  ')]
    if door is Severity.WARNING:
        changes.append(("open_door = true", "open_door = false"))
    found = cross_checks(read_text(_room(*changes)))
    assert [door] == [f.severity for f in found if "other machines" in f.text]


def test_station_with_nothing_loaded_is_warned_of() -> None:
    """Every order scanned there would go to manual packing."""
    start = _room().index('[[station.loaded]]\nbag = "clear-250x330"')
    finding = _only(_room()[:start], Severity.WARNING)
    assert ("station inbound", True) == (finding.where, "nothing is loaded" in finding.text)


def test_own_template_with_a_fault_is_told(tmp_path: Path) -> None:
    """A template of the site that can't be read is an error with the template's own line."""
    (tmp_path / "house.toml").write_text("width_mm = 100\nheight_mm = 0\n", encoding="utf-8")
    text = _room(("former_bag", f'templates_dir = "{tmp_path}"\nformer_bag'))
    assert "house" in _only(text, Severity.ERROR).text


def test_missing_wms_is_warned_of() -> None:
    """Without a WMS a scan must bring its order."""
    text = _room()
    start, end = text.index("[wms]"), text.index("# Where no rule says")
    assert "there is no [wms]" in _only(text[:start] + text[end:], Severity.WARNING).text


def test_dark_film_is_refused_where_the_station_prints_on_it() -> None:
    """A code on dark film can't be read: an error, not a surprise."""
    text = _room(('film = "white-45"', 'film = "graphite-70"'))
    assert "dark film" in _only(text, Severity.ERROR).text


# --- the command ----------------------------------------------------------------------------------

_APP = typer.Typer()
_APP.command()(check)


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ((), 0),
        ((("dots_per_mm = 11.811", "dots_per_mm = 11.0"),), 1),
        ((("bags_ahead", "bag_ahead"),), 2),
    ],
)
def test_exit_code_is_the_worst_finding(
    tmp_path: Path, changes: tuple[tuple[str, str], ...], code: int
) -> None:
    """0 for notes, 1 for warnings, 2 for errors; every finding on a line of its own."""
    file = tmp_path / "site.toml"
    file.write_text(_room(*changes), encoding="utf-8")
    result = CliRunner().invoke(_APP, [str(file)])
    assert code == result.exit_code
    assert all(str(file) in line for line in result.stdout.splitlines())


def test_json_holds_the_same_findings(tmp_path: Path) -> None:
    """A program gets severity, line, place, text and remedy."""
    file = tmp_path / "site.toml"
    file.write_text(_room(("bags_ahead", "bag_ahead")), encoding="utf-8")
    (finding,) = json.loads(CliRunner().invoke(_APP, [str(file), "--json"]).stdout)["findings"]
    assert ("error", "station bench, bag_ahead") == (finding["severity"], finding["where"])


def test_connect_tells_what_does_not_answer(tmp_path: Path) -> None:
    """Nothing listens on a port that was just let go of: each line and the WMS are told."""
    file = tmp_path / "site.toml"
    file.write_text(_room(), encoding="utf-8")
    result = CliRunner().invoke(_APP, [str(file), "--json", "--connect"])
    told = [f["where"] for f in json.loads(result.stdout)["findings"] if f["severity"] == "warning"]
    assert ["station bench", "station floor", "station line", "station inbound", "wms"] == [
        where.split(",", 1)[0] for where in told
    ]
    assert 1 == result.exit_code
