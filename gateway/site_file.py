"""Read a site file, and say what is wrong with it line by line, in words to act on."""

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from difflib import get_close_matches
from enum import StrEnum
from pathlib import Path
from typing import Any, Final, cast, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from gateway import toml_places
from gateway.site_paths import from_folder
from gateway.time_zones import unknown_zone
from schemas.site import Site
from schemas.supply import BagForm


class Severity(StrEnum):
    """How bad a finding is."""

    ERROR = "error"
    """The gateway will not start, or a station can do nothing."""
    WARNING = "warning"
    """It runs, and something will go wrong or go to manual packing."""
    NOTE = "note"
    """Worth knowing."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to mend: where it stands, what is the matter, what to do."""

    severity: Severity
    line: int | None
    where: str
    text: str
    do: str = ""

    def sentence(self) -> str:
        """All of it but the line, in one sentence for a person."""
        parts = [self.text, self.do[:1].upper() + self.do[1:]]
        said = " ".join(part if part.endswith("?") else f"{part}." for part in parts if part)
        return f"{self.where}: {said}" if self.where else said


class SiteFileWrong(Exception):
    """The site file can't be used; `findings` says why, in the order of its lines."""

    def __init__(self, name: str, findings: tuple[Finding, ...]) -> None:
        self.name = name
        self.findings = findings
        super().__init__(
            "\n".join(f"{name}:{f.line or 1}: {f.severity}: {f.sentence()}" for f in findings)
        )


@dataclass(frozen=True, slots=True)
class Reading:
    """A site file as read: the site where it is good, its findings, and where each part stands."""

    name: str
    site: Site | None
    findings: tuple[Finding, ...]
    lines: dict[toml_places.Path, int] = field(repr=False)

    def line_of(self, *path: str | int) -> int | None:
        """Line of a part, or of the nearest part around it that the file states."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return None


def load(path: Path) -> Site:
    """The site of a file. Raises `SiteFileWrong` with every finding and its line.

    Relative paths are taken from the file's folder.
    """
    reading = read_file(path)
    if reading.site is None:
        raise SiteFileWrong(reading.name, reading.findings)
    return reading.site


def read_file(path: Path) -> Reading:
    """Read a file without raising for what is in it; a file that can't be read is a finding."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        return _unreadable(path.name, f"byte {error.start} is not UTF-8", "save the file as UTF-8")
    except OSError as error:
        return _unreadable(path.name, f"can't be read: {error.strerror}", "check name and rights")
    reading = read_text(text, path.name)
    site = from_folder(reading.site, path.parent) if reading.site else None
    return Reading(reading.name, site, reading.findings, reading.lines)


def read_text(text: str, name: str = "site file") -> Reading:
    """Read a site file's text."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return Reading(name, None, (_syntax_finding(str(error), text),), {})
    except (ValueError, RecursionError):  # thousands of digits, thousands of brackets
        return _unreadable(name, "a number or a nesting is too large", "see what was pasted")
    lines = toml_places.places(text)
    reading = Reading(name, None, (), lines)
    site: Site | None = None
    findings = list(_loose_names(data, reading))
    try:
        site = Site.model_validate(data)
        if wrong := unknown_zone(site.time_zone):
            line = reading.line_of("time_zone")
            findings.append(Finding(Severity.ERROR, line, "time_zone", *wrong))
    except ValidationError as error:
        faults = [e for e in error.errors() if e["loc"] or not findings]
        findings += _shape_findings(faults, data, reading)
    findings.sort(key=lambda f: f.line or 0)
    return Reading(name, None if findings else site, tuple(findings), lines)


def _unreadable(name: str, text: str, do: str) -> Reading:
    return Reading(name, None, (Finding(Severity.ERROR, None, "", text, do),), {})


_SYNTAX_HINTS: Final = (
    ("Cannot overwrite", "this key or table is stated a second time", "keep one of the two"),
    ("Cannot declare", "this table is stated a second time",
     "keep one, or use [[double brackets]] for a list of tables"),
    ("Invalid value", "the value is not one that TOML knows",
     "put text in double quotes; true and false are lower case"),
    ("Expected '='", "an equals sign is missing after the key", "write key = value"),
    ("Unterminated string", "a text is opened and not closed", "add the closing quote"),
    ("Illegal character '\\n'", "a text is opened and not closed", "add the closing quote"),
    ("Unclosed array", "a list is opened and not closed", "add the closing ]"),
    ("Expected newline", "something follows the value on its line",
     "one key = value a line; use a point, not a comma, in decimals"),
    ("Unescaped '\\'", "a backslash in a text means something else",
     "put paths in single quotes"),
)  # fmt: skip


def _syntax_finding(message: str, text: str) -> Finding:
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    line = int(found[1]) if found else text.count("\n") + 1
    column = f" near column {found[2]}" if found else ""
    for starts, what, do in _SYNTAX_HINTS:
        if message.startswith(starts):
            return Finding(Severity.ERROR, line, "", what + column, do)
    plain = message.split(" (at ", 1)[0]
    return Finding(Severity.ERROR, line, "", f"not TOML{column}: {plain}", "mend this line first")


# --- names that point at nothing ------------------------------------------------------------------

Raw = dict[str, Any]  # what tomllib gives


def _tables(data: object, key: str) -> Iterator[tuple[int, Raw]]:
    listed = cast(Raw, data).get(key) if isinstance(data, dict) else None
    if isinstance(listed, list):
        for index, each in enumerate(cast(list[object], listed)):
            if isinstance(each, dict):
                yield index, cast(Raw, each)


def _names(data: Raw, key: str, name: str = "id") -> list[str]:
    return [str(each[name]) for _, each in _tables(data, key) if name in each]


def _loose_names(data: Raw, reading: Reading) -> Iterator[Finding]:
    """Names that are not in the file and names given twice, whatever else is wrong with it."""
    known = {
        kind: _names(data, kind, "name" if kind == "rule" else "id")
        for kind in ("film", "bag", "service", "warning", "rule", "station")
    }
    for kind in known:
        yield from _named_twice(data, kind, reading)
    for kind, path, value in _references(data):
        if isinstance(value, str) and value not in known[kind]:
            yield Finding(
                Severity.ERROR,
                reading.line_of(*path),
                place_in_words(path, data),
                f"there is no {kind} {value!r} in the file",
                _guess(value, known[kind]) or f"add a [[{kind}]] of that id or name one that is",
            )


def _named_twice(data: Raw, kind: str, reading: Reading) -> Iterator[Finding]:
    key = "name" if kind == "rule" else "id"
    seen: dict[str, int] = {}
    for index, each in _tables(data, kind):
        name = each.get(key)
        if not isinstance(name, str):
            continue
        if name in seen:
            yield Finding(
                Severity.ERROR,
                reading.line_of(kind, index, key),
                f"{kind} {name}",
                f"the {key} is given twice, first on line {reading.line_of(kind, seen[name], key)}",
                "give each its own",
            )
        seen.setdefault(name, index)


def _references(data: Raw) -> Iterator[tuple[str, toml_places.Path, object]]:
    yield from _one("bag", (), data, "former_bag")
    packing = data.get("packing")
    if isinstance(packing, dict):
        yield from _one("warning", ("packing",), cast(Raw, packing), "warning_text")
    for index, bag in _tables(data, "bag"):
        yield from _one("film", ("bag", index), bag, "film")
    for index, station in _tables(data, "station"):
        for place, load_ in _tables(station, "loaded"):
            yield from _one("bag", ("station", index, "loaded", place), load_, "bag")
    for index, rule in _tables(data, "rule"):
        yield from _rule_references(index, rule)


def _rule_references(index: int, rule: Raw) -> Iterator[tuple[str, toml_places.Path, object]]:
    effect = rule.get("effect")
    if isinstance(effect, dict):
        yield from _one("warning", ("rule", index, "effect"), cast(Raw, effect), "warning_text")
    when = rule.get("when")
    for part, key, kind in (
        ("order", "service", "service"),
        ("bag", "id", "bag"),
        ("bag", "film", "film"),
        ("station", "id", "station"),
    ):
        inside = cast(Raw, when).get(part) if isinstance(when, dict) else None
        named = cast(Raw, inside).get(key) if isinstance(inside, dict) else None
        if isinstance(named, list):
            for place, value in enumerate(cast(list[object], named)):
                yield kind, ("rule", index, "when", part, key, place), value


def _one(
    kind: str, path: toml_places.Path, table: Raw, key: str
) -> Iterator[tuple[str, toml_places.Path, object]]:
    if key in table:
        yield kind, (*path, key), table[key]


# --- shapes and values ----------------------------------------------------------------------------

_PATTERNS: Final = {
    r"^[a-z0-9][a-z0-9._-]{0,47}$": "must be lower-case letters, digits, dot, dash or underscore,"
    " at most 48 of them",
    r"^\d{4,12}$": "must be the 4 to 12 digits of a GS1 company prefix, in quotes",
    r"^https?://.*\{code\}": "must be an http or https URL with {code} where the scanned code goes",
    r"^(sqlite|postgresql)(\+psycopg)?://": "must begin with sqlite:/// or postgresql://",
    r"^[A-Z]{2}$": "must be a country code of two capital letters, such as DE",
    r"^(\d{8}|\d{12,14})$": "must be a GTIN of 8, 12, 13 or 14 digits, in quotes",
}

_DPI_HINT: Final = "state dots per mm, not dpi: 203 dpi is 8, 300 dpi is 11.811, 600 dpi is 23.622"


def _shape_findings(faults: list[ErrorDetails], data: Raw, reading: Reading) -> list[Finding]:
    found: dict[tuple[toml_places.Path, str], Finding] = {}
    unions: list[toml_places.Path] = []
    placed = [(_path_in(data, fault), fault) for fault in faults]
    for path, fault in sorted(placed, key=lambda each: len(each[0])):
        if any(path[: len(union)] == union for union in unions):
            continue  # a value that fits no member of a union is told once, not once a member
        if fault["type"] == "too_short" and any(p[: len(path)] == path != p for p, _ in placed):
            continue  # its entries are there; they are wrong, and told for themselves
        if _of_union(fault):
            unions.append(path)
            text, do = f"must be {_OPTION_KINDS}; it is {_shown(fault, path)}", ""
        else:
            text, do = _in_words(fault, path)
        where, line = place_in_words(path, data), reading.line_of(*path)
        key = (path, fault["type"] + str(fault["loc"][-1:]))
        found.setdefault(key, Finding(Severity.ERROR, line, where, text, do))
    return list(found.values())


_OPTION_KINDS: Final = "a text, a number, true or false, a list of texts, or a table of those"


def _of_union(fault: ErrorDetails) -> bool:
    return "options" in fault["loc"] and fault["loc"][-1] != "options"


def _path_in(data: object, fault: ErrorDetails) -> toml_places.Path:
    """The part of the file that a fault is about: its location without names of union members."""
    path: toml_places.Path = ()
    here = data
    for step in fault["loc"]:
        match here, step:
            case dict(), str() if step in here:
                here = cast(Raw, here)[step]
                path = (*path, step)
            case list(), int() if step < len(cast(list[object], here)):
                here = cast(list[object], here)[step]
                path = (*path, step)
            case _:
                continue
    return (*path, "form") if fault["type"] == "union_tag_invalid" else path


def _in_words(fault: ErrorDetails, path: toml_places.Path) -> tuple[str, str]:
    kind, context = fault["type"], fault.get("ctx", {})
    last = str(fault["loc"][-1]) if fault["loc"] else ""
    if kind == "missing":
        return f"`{last}` is missing", f"add `{last} = ...`"
    if kind == "extra_forbidden":
        return _unknown_key(last, path[:-1])
    if kind.startswith("union_tag"):
        allowed = ", ".join(form.value for form in BagForm)
        return "`form` must say how the station comes by its bag", f"give one of {allowed}"
    if kind == "string_pattern_mismatch":
        pattern = str(context.get("pattern"))
        words = _PATTERNS.get(pattern, "holds characters that are not allowed there")
        return f"{words}; it is {_shown(fault, path)}", ""
    if kind == "value_error":
        return str(context.get("error", fault["msg"])), ""
    plain = fault["msg"].replace("Input should be", "must be").replace("Input", "the value")
    hint = _DPI_HINT if path and path[-1] == "dots_per_mm" else ""
    return f"{plain[0].lower()}{plain[1:]}; it is {_shown(fault, path)}", hint


def _shown(fault: ErrorDetails, path: toml_places.Path) -> str:
    if path and looks_secret(str(path[-1])):
        return "not shown here"
    value = fault["input"]
    return f"a list of {len(value)}" if isinstance(value, list) else f"{value!r}"[:60]


def looks_secret(key: str) -> bool:
    """Whether a key of this name would hold a secret."""
    return bool(re.search(r"pass(word|wd|phrase)|secret|token|api_?key|credential", key.lower()))


def _unknown_key(key: str, path: toml_places.Path) -> tuple[str, str]:
    models = _models_at(path)
    fields = sorted({name for model in models for name in model.model_fields})
    if key in fields:
        return f"`{key}` is not for an entry of this form", "take it out, or change `form`"
    guess = _guess(key, fields)
    elsewhere = guess or (f"known here: {', '.join(fields)}" if fields else "take it out")
    return f"`{key}` is not known here", elsewhere


def _models_at(path: toml_places.Path) -> list[type[BaseModel]]:
    """The models that a part of the file may be, unions spread out."""
    models: list[type[BaseModel]] = [Site]
    for step in path:
        if isinstance(step, int):
            continue
        inside = [m.model_fields[step].annotation for m in models if step in m.model_fields]
        models = [each for annotation in inside for each in _models_in(annotation)]
    return models


def _models_in(annotation: object) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


def _guess(word: str, known: list[str]) -> str:
    close = get_close_matches(word, known, n=1, cutoff=0.6)
    return f"did you mean `{close[0]}`?" if close else ""


def place_in_words(path: toml_places.Path, data: Raw) -> str:
    """A part as a person names it: "station bench, lines 1, kind" (counted from 1)."""
    words: list[str] = []
    here: object = data
    for step in path:
        if isinstance(step, str):
            words.append(step)
            here = cast(Raw, here).get(step) if isinstance(here, dict) else None
            continue
        listed = cast(list[object], here)
        here = listed[step] if isinstance(here, list) and step < len(listed) else None
        entry = cast(Raw, here) if isinstance(here, dict) else {}
        name = entry.get("id") or entry.get("name") or str(step + 1)
        words[-1] = f"{words[-1]} {name}"
    return ", ".join(words)
