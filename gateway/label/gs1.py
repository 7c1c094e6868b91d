"""GS1 element strings, keys and Digital Links.

The table of application identifiers (AIs) is data: `data/gs1_ai.tsv`, from the GS1 Barcode Syntax
Dictionary. A *message* is the text as a scanner hands it over: AIs and values in a row, with the
group separator (0x1D) after each element that needs one and has a successor, without the leading
FNC1 and without an AIM symbology identifier.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import resources
from typing import NamedTuple
from urllib.parse import quote

from gateway.label.errors import DataRefused
from gateway.label.gs1_checks import CHARACTERS, CHECKS, character_class, check_digit

GS = "\x1d"
_AIM = re.compile(r"\][A-Za-z][0-9A-Za-z]")


class Element(NamedTuple):
    """One application identifier with its value."""

    ai: str
    value: str


@dataclass(frozen=True, slots=True)
class _Part:
    kind: str
    low: int
    high: int
    optional: bool
    checks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Identifier:
    """What the dictionary says of one AI. `needs_separator`: GS follows unless it comes last."""

    ai: str
    title: str
    needs_separator: bool
    parts: tuple[_Part, ...]
    pattern: re.Pattern[str]
    requires: tuple[tuple[tuple[str, ...], ...], ...]
    excludes: tuple[str, ...]
    is_key: bool
    qualifiers: tuple[tuple[str, ...], ...]
    may_be_attribute: bool

    @property
    def longest(self) -> int:
        """Most characters that a value may have."""
        return sum(part.high for part in self.parts)


@cache
def identifiers() -> dict[str, Identifier]:
    """Every assigned AI by its digits."""
    text = (resources.files("gateway.label") / "data" / "gs1_ai.tsv").read_text("utf-8")
    return {i.ai: i for i in map(_identifier, text.splitlines()[1:])}


def _identifier(line: str) -> Identifier:
    ai, separator, parts_text, requires, excludes, link, title = line.split("\t")
    parts = tuple(_part(text) for text in parts_text.split())
    return Identifier(
        ai,
        title,
        separator == "1",
        parts,
        re.compile("".join(_piece_pattern(part) for part in parts)),
        tuple(
            tuple(tuple(one.split("+")) for one in group.split(","))
            for group in requires.split(";")
            if group
        ),
        tuple(filter(None, excludes.split(","))),
        link.startswith("key:"),
        tuple(tuple(s.split("+")) for s in link.removeprefix("key:").split("|") if len(s) > 1),
        link != "-",
    )


def _part(text: str) -> _Part:
    match = re.fullmatch(r"([NXYZ])(\d+)(?:-(\d+))?(\??)((?::\w+)*)", text)
    assert match is not None, text
    kind, low, high, optional, checks = match.groups()
    return _Part(
        kind, int(low), int(high or low), optional == "?", tuple(filter(None, checks.split(":")))
    )


def _piece_pattern(part: _Part) -> str:
    repeat = f"({character_class(part.kind)}{{{part.low},{part.high}}})"
    return repeat + "?" if part.optional else repeat


def identifier(ai: str) -> Identifier:
    """Look one AI up. Raises `DataRefused` for digits that GS1 has not assigned."""
    found = identifiers().get(ai)
    if found is None:
        raise DataRefused(f"({ai})", "is no GS1 application identifier")
    return found


@lru_cache(maxsize=1024)
def check_element(ai: str, value: str) -> Element:
    """The element, once its length, characters, check digit and content hold.

    Raises `DataRefused` naming the AI.
    """
    known = identifier(ai)
    match = known.pattern.fullmatch(value)
    if match is None:
        raise DataRefused(f"({ai})", _misfit(known, value))
    for part, text in zip(known.parts, match.groups(), strict=True):
        for name in part.checks if text else ():
            check = CHECKS.get(name)
            problem = check(text) if check else ""
            if problem:
                raise DataRefused(f"({ai})", f"{value!r}: {problem}")
    return Element(ai, value)


def _misfit(known: Identifier, value: str) -> str:
    least = sum(0 if part.optional else part.low for part in known.parts)
    room = f"{least}" if least == known.longest else f"{least} to {known.longest}"
    sets = " then ".join(dict.fromkeys(CHARACTERS[part.kind] for part in known.parts))
    return f"{known.title} takes {room} characters of {sets}, not {value!r}"


def check_together(elements: Sequence[Element]) -> None:
    """Raise `DataRefused` where an AI lacks a partner that it requires or meets one it excludes.

    The rule is about all symbols on one unit: hand in the elements of all of them.
    """
    present = {element.ai for element in elements}
    for element in elements:
        known = identifier(element.ai)
        for other in present - {element.ai}:
            if any(_matches(pattern, other) for pattern in known.excludes):
                raise DataRefused(f"({element.ai})", f"must not stand beside ({other})")
        for group in known.requires:
            if not any(all(_has(present, ai) for ai in together) for together in group):
                wanted = " or ".join("+".join(f"({ai})" for ai in t) for t in group)
                raise DataRefused(f"({element.ai})", f"must stand with {wanted}")


def _matches(pattern: str, ai: str) -> bool:
    return len(pattern) == len(ai) and all(p in ("n", c) for p, c in zip(pattern, ai, strict=True))


def _has(present: set[str], pattern: str) -> bool:
    return any(_matches(pattern, ai) for ai in present)


def message(elements: Iterable[tuple[str, str]]) -> str:
    """Element strings in a row, each checked, with GS only where one is needed."""
    said: list[str] = []
    open_end = False
    for ai, value in elements:
        check_element(ai, value)
        if open_end:
            said.append(GS)
        said.append(ai + value)
        open_end = identifier(ai).needs_separator
    if not said:
        raise DataRefused("GS1", "there is no element")
    return "".join(said)


def without_aim(scan: str) -> str:
    """A scan without its AIM symbology identifier (`]C1`, `]d2` ...) and leading separator."""
    text = scan[3:] if _AIM.match(scan) else scan
    return text.removeprefix(GS)


def split(text: str) -> tuple[Element, ...]:
    """Take a message apart again, checking each element. Raises `DataRefused`."""
    elements: list[Element] = []
    rest = without_aim(text)
    while rest:
        ai = next((rest[:n] for n in (2, 3, 4) if rest[:n] in identifiers()), None)
        if ai is None:
            raise DataRefused("GS1", f"no application identifier at {rest[:12]!r}")
        known = identifiers()[ai]
        end = len(ai) + known.longest
        if known.needs_separator:
            end = rest.find(GS) if GS in rest else len(rest)
        elements.append(check_element(ai, rest[len(ai) : end]))
        rest = rest[end:].removeprefix(GS)
    return tuple(elements)


def from_brackets(text: str) -> tuple[Element, ...]:
    """Read `(00)106141412345678908(400)PO-7`, the way people write elements.

    For text that a person wrote, never for order data: a value that holds a bracketed AI could not
    be told from an element of its own. Raises `DataRefused`.
    """
    pieces = re.split(r"\(([0-9]{2,4})\)", text)
    if pieces[0] or len(pieces) < 3:
        raise DataRefused("GS1", f"{text!r} does not begin with a bracketed AI such as (00)")
    pairs = zip(pieces[1::2], pieces[2::2], strict=True)
    return tuple(check_element(ai, value) for ai, value in pairs)


def human_readable(elements: Iterable[Element]) -> str:
    """The interpretation below a symbol. Source: GS1 General Specifications, section 4.15."""
    return " ".join(f"({ai}) {value}" for ai, value in elements)


def sscc(prefix: str, extension: int, serial: int) -> str:
    """A Serial Shipping Container Code: extension digit, company prefix, serial, check digit.

    `prefix` has 4 to 12 digits; prefix and serial share 16. Raises `DataRefused` where the serial
    has outgrown its room: numbers are never wrapped round.
    """
    if not re.fullmatch(r"[0-9]{4,12}", prefix) or not 0 <= extension <= 9:
        raise DataRefused("(00)", "needs an extension digit and a company prefix of 4 to 12 digits")
    room = 16 - len(prefix)
    if not 0 <= serial < 10**room:
        raise DataRefused("(00)", f"serial {serial} does not fit {room} digits: get a new prefix")
    body = f"{extension}{prefix}{serial:0{room}}"
    return body + check_digit(body)


def gtin(digits: str) -> str:
    """A GTIN of 8, 12, 13 or 14 digits as 14 digits, its check digit proved."""
    if not re.fullmatch(r"[0-9]{8}|[0-9]{12,14}", digits):
        raise DataRefused("(01)", f"a GTIN has 8, 12, 13 or 14 digits, not {digits!r}")
    return check_element("01", digits.zfill(14)).value


def digital_link(elements: Sequence[tuple[str, str]], base: str = "https://id.gs1.org") -> str:
    """The GS1 Digital Link URI: the key, its qualifiers in order, the rest as query.

    Raises `DataRefused` without a key, or for an AI that may not be a data attribute.
    """
    checked = [check_element(ai, value) for ai, value in elements]
    key = next((e for e in checked if identifier(e.ai).is_key), None)
    if key is None:
        raise DataRefused("GS1 Digital Link", "no element is a key, such as (01) or (00)")
    values = {e.ai: e.value for e in checked}
    chains = identifier(key.ai).qualifiers
    chain = max(chains, key=lambda c: sum(ai in values for ai in c), default=())
    path = [key.ai, *(ai for ai in chain if ai in values)]
    rest = [e for e in checked if e.ai not in path]
    for e in rest:
        if not identifier(e.ai).may_be_attribute:
            raise DataRefused(f"({e.ai})", "may not stand in the query of a Digital Link")
    uri = base.rstrip("/") + "".join(f"/{ai}/{quote(values[ai], safe='')}" for ai in path)
    query = "&".join(f"{e.ai}={quote(e.value, safe='')}" for e in rest)
    return f"{uri}?{query}" if query else uri
