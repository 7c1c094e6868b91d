"""Checks on the content of GS1 element strings, by the names that the syntax dictionary gives them.

Each check takes the text of one component and returns what is wrong, or an empty string. Names
that have no check here (coupon codes, package and media types, the check pair of a GMN) are listed
in `UNCHECKED`; a test keeps the two lists complete.
"""

import re
from calendar import monthrange
from collections.abc import Callable
from functools import cache
from importlib import resources

_SIZES = {"N": "[0-9]", "X": r"[!-\"%-?A-Z_a-z]", "Y": r"[#\-/0-9A-Z]", "Z": r"[\-0-9A-Z_a-z]"}
CHARACTERS = {
    "N": "digits",
    "X": "GS1 character set 82",
    "Y": "GS1 character set 39",
    "Z": "GS1 character set 64",
}
UNCHECKED = frozenset({"couponcode", "couponposoffer", "csumalpha", "mediatype", "packagetype"})


def character_class(kind: str) -> str:
    """Regular expression class of a GS1 character set: N, X, Y or Z."""
    return _SIZES[kind]


def check_digit(digits: str) -> str:
    """The modulo 10 check digit that follows these digits.

    Source: GS1 General Specifications, section 7.9.1: weights 3, 1, 3 ... from the right.
    """
    total = 3 * sum(map(int, digits[::-2])) + sum(map(int, digits[-2::-2]))
    return str(-total % 10)


@cache
def _column(name: str, column: int) -> frozenset[str]:
    text = (resources.files("gateway.label") / "data" / name).read_text("ascii")
    return frozenset(line.split("\t")[column] for line in text.splitlines()[1:])


def is_country(code: str) -> bool:
    """Whether ISO 3166-1 assigns this alpha-2 or numeric code."""
    return code in _column("countries.txt", 1 if code.isdigit() else 0)


def _csum(text: str) -> str:
    right = check_digit(text[:-1])
    return "" if text[-1:] == right else f"check digit is {text[-1:]}, should be {right}"


def _prefix(text: str) -> str:
    return "" if text[:2].isdigit() else "does not begin with a GS1 company prefix"


def _date(text: str, *, day_may_be_0: bool) -> str:
    year, month, day = int(text[:-4]), int(text[-4:-2]), int(text[-2:])
    if not 1 <= month <= 12:
        return f"month {month:02} does not exist"
    # a two-digit year stands for 2000 + year: leap years repeat alike in every near century
    last = monthrange(year if year > 99 else 2000 + year, month)[1]
    if day > last or (day == 0 and not day_may_be_0):
        return f"day {day:02} does not exist in month {month:02}"
    return ""


def _clock(text: str) -> str:
    limits = (23, 59, 59)
    for at in range(0, len(text), 2):
        if int(text[at : at + 2]) > limits[at // 2]:
            return f"{text} is no time of day"
    return ""


def _percent(text: str) -> str:
    ok = re.fullmatch(r"(?:[^%]|%[0-9A-Fa-f]{2})*", text)
    return "" if ok else "a percent sign is not followed by two hexadecimal digits"


def _piece(text: str) -> str:
    half = len(text) // 2
    piece, total = int(text[:half]), int(text[half:])
    ok = 1 <= piece <= total
    return "" if ok else f"piece {piece} of {total} does not exist"


def _position(text: str) -> str:
    match = re.fullmatch(r"([1-9][0-9]*)/([1-9][0-9]*)", text)
    ok = match and int(match[1]) <= int(match[2])
    return "" if ok else f"{text} is no position in a sequence, such as 3/10"


def _iban(text: str) -> str:
    turned = text[4:] + text[:4]
    if not re.fullmatch("[A-Z]{2}[0-9A-Z]{3,}", text) or not is_country(text[:2]):
        return f"{text} is no IBAN"
    return "" if int("".join(str(int(c, 36)) for c in turned)) % 97 == 1 else "IBAN check digits"


def _rule(what: str, holds: Callable[[str], bool]) -> Callable[[str], str]:
    return lambda text: "" if holds(text) else what


CHECKS: dict[str, Callable[[str], str]] = {
    "csum": _csum,
    "gcppos1": _prefix,
    "gcppos2": lambda text: _prefix(text[1:]),
    "yymmd0": lambda text: _date(text, day_may_be_0=True),
    "yymmdd": lambda text: _date(text, day_may_be_0=False),
    "yyyymmdd": lambda text: _date(text, day_may_be_0=False),
    "hh": _clock,
    "mi": _rule("minutes run from 00 to 59", lambda t: int(t) < 60),
    "ss": _rule("seconds run from 00 to 59", lambda t: int(t) < 60),
    "hhmi": _clock,
    "iso3166": _rule("no country has this ISO 3166 number", is_country),
    "iso3166999": _rule("no country has this number", lambda t: t == "999" or is_country(t)),
    "iso3166alpha2": _rule("ISO 3166 assigns no such country code", is_country),
    "iso4217": _rule("no such currency", lambda t: t in _column("currencies.txt", 0)),
    "iso5218": _rule("must be 0, 1, 2 or 9", lambda t: t in "0129"),
    "iban": _iban,
    "pcenc": _percent,
    "pieceoftotal": _piece,
    "posinseqslash": _position,
    "yesno": _rule("must be 0 or 1", lambda t: t in "01"),
    "winding": _rule("must be 0, 1 or 9", lambda t: t in "019"),
    "zero": _rule("must be 0", lambda t: t == "0"),
    "nonzero": _rule("must not be zero", lambda t: int(t) != 0),
    "nozeroprefix": _rule("must not begin with 0", lambda t: len(t) == 1 or t[0] != "0"),
    "hasnondigit": _rule("must hold something else than digits", lambda t: not t.isdigit()),
    "hyphen": _rule("must be a hyphen", lambda t: t == "-"),
    "importeridx": _rule("no importer index", lambda t: bool(re.fullmatch(r"[\-0-9A-Z_a-z]", t))),
    "latitude": _rule("latitude is out of range", lambda t: int(t) <= 1_800_000_000),
    "longitude": _rule("longitude is out of range", lambda t: int(t) <= 3_600_000_000),
}
