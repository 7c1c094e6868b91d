"""Code 128: the shortest encoding over code sets A, B and C.

Source: ISO/IEC 15417. The element widths were written from memory and are checked in the tests
against two independent libraries.
"""

import re
from functools import lru_cache

from gateway.label.errors import DataRefused

FNC1 = "\u00f1"
"""Stands for function character 1 in the text handed to `encode`; never a data character."""

START_A, START_B, START_C, STOP = 103, 104, 105, 106
SHIFT, TO_C, TO_B, TO_A, FNC1_VALUE = 98, 99, 100, 101, 102

_PATTERNS = (
    "212222 222122 222221 121223 121322 131222 122213 122312 132212 221213 221312 231212 112232 "
    "122132 122231 113222 123122 123221 223211 221132 221231 213212 223112 312131 311222 321122 "
    "321221 312212 322112 322211 212123 212321 232121 111323 131123 131321 112313 132113 132311 "
    "211313 231113 231311 112133 112331 132131 113123 113321 133121 313121 211331 231131 213113 "
    "213311 213131 311123 311321 331121 312113 312311 332111 314111 221411 431111 111224 111422 "
    "121124 121421 141122 141221 112214 112412 122114 122411 142112 142211 241211 221114 413111 "
    "241112 134111 111242 121142 121241 114212 124112 124211 411212 421112 421211 212141 214121 "
    "412121 111143 111341 131141 114113 114311 411113 411311 113141 114131 311141 411131 211412 "
    "211214 211232 2331112"
)
WIDTHS: tuple[tuple[int, ...], ...] = tuple(tuple(map(int, p)) for p in _PATTERNS.split())
"""Bar and space widths in modules by symbol value; a bar comes first. 106 is the stop."""


def value_in(code_set: str, character: str) -> int | None:
    """Symbol value of one character in set A or B, or None where the set lacks it."""
    if character == FNC1:
        return FNC1_VALUE
    code = ord(character)
    if code_set == "A":
        if code < 32:
            return code + 64
        return code - 32 if code < 96 else None
    return code - 32 if 32 <= code < 128 else None


def check_value(values: tuple[int, ...]) -> int:
    """Check character over the start and data values, modulo 103."""
    return (values[0] + sum(i * value for i, value in enumerate(values))) % 103


@lru_cache(maxsize=4096)
def encode(text: str) -> tuple[int, ...]:
    """Symbol values from start to stop, check included, for ASCII text with `FNC1` marks.

    No sequence of fewer symbols holds the same text. Raises `DataRefused` for an empty text and
    for characters outside ASCII.
    """
    if not text:
        raise DataRefused("Code 128", "there is no data")
    for character in text:
        if ord(character) > 127 and character != FNC1:
            raise DataRefused("Code 128", f"character {character!r} is not ASCII")
    data = _fewest(text)
    return (*data, check_value(data), STOP)


def widths(values: tuple[int, ...]) -> tuple[int, ...]:
    """Bar and space widths in modules of a whole symbol, without quiet zones."""
    return tuple(w for value in values for w in WIDTHS[value])


def _fewest(text: str) -> tuple[int, ...]:
    """Shortest path over (position, code set); ties go to the set that comes first in C, B, A."""
    if _PAIRS.fullmatch(text):  # nothing can be shorter than one symbol for every two digits
        return (START_C, *(_pair(match[0]) for match in _PAIR.finditer(text)))
    size = len(text)
    cost = [[_FAR] * 3 for _ in range(size + 2)]
    back: list[list[tuple[int, int, tuple[int, ...]] | None]] = [[None] * 3 for _ in cost]
    cost[0] = [1, 1, 1]
    for at in range(size):
        _switch(at, cost, back)
        for code_set in range(3):
            for step, values in _steps(text, at, code_set):
                total = cost[at][code_set] + len(values)
                if total < cost[at + step][code_set]:
                    cost[at + step][code_set] = total
                    back[at + step][code_set] = (at, code_set, values)
    return _walk(cost[size].index(min(cost[size])), size, back)


_PAIRS = re.compile(f"(?:{FNC1}|[0-9][0-9])+")
_PAIR = re.compile(f"{FNC1}|[0-9][0-9]")
_FAR = 1 << 30
_ORDER = "CBA"
_STARTS = (START_C, START_B, START_A)
_SWITCHES = (TO_C, TO_B, TO_A)
_Back = list[list[tuple[int, int, tuple[int, ...]] | None]]


def _pair(text: str) -> int:
    return FNC1_VALUE if text == FNC1 else int(text)


def _switch(at: int, cost: list[list[int]], back: _Back) -> None:
    here = cost[at]
    cheapest = here.index(min(here))
    for code_set in range(3):
        if here[cheapest] + 1 < here[code_set]:
            here[code_set] = here[cheapest] + 1
            back[at][code_set] = (at, cheapest, (_SWITCHES[code_set],))


def _steps(text: str, at: int, code_set: int) -> list[tuple[int, tuple[int, ...]]]:
    """What can be said next in this set: characters used up, values said."""
    character = text[at]
    if character == FNC1:
        return [(1, (FNC1_VALUE,))]
    if _ORDER[code_set] == "C":
        pair = text[at : at + 2]
        return [(2, (int(pair),))] if len(pair) == 2 and _PAIR.fullmatch(pair) else []
    here, there = (1, 2) if code_set == 1 else (2, 1)
    value = value_in(_ORDER[here], character)
    if value is not None:
        return [(1, (value,))]
    shifted = value_in(_ORDER[there], character)
    return [] if shifted is None else [(1, (SHIFT, shifted))]


def _walk(code_set: int, at: int, back: _Back) -> tuple[int, ...]:
    said: list[tuple[int, ...]] = []
    while (step := back[at][code_set]) is not None:
        at, code_set, values = step
        said.append(values)
    said.append((_STARTS[code_set],))
    return tuple(value for values in reversed(said) for value in values)
