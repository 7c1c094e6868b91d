"""Code 128 as a printer language states it: invocation codes in, symbol values and data out.

Source: the value tables of ISO/IEC 15417; the invocation codes and the rules for digit pairs are
those that the printer language documents for its Code 128 command.
"""

from dataclasses import dataclass

FNC3, FNC2, SHIFT = 96, 97, 98
CODE_C, CODE_B, CODE_A, FNC1 = 99, 100, 101, 102
START_A, START_B, START_C = 103, 104, 105
GS = "\x1d"

_START = {"9": START_A, ":": START_B, ";": START_C}
_CONTROL = {"5": CODE_C, "6": CODE_B, "7": CODE_A, "8": FNC1, "4": SHIFT, "3": FNC2, "2": FNC3}
_LITERAL = {"<": "^", "0": ">", "=": "~", "1": "\x7f"}
_SET_OF = {START_A: "A", START_B: "B", START_C: "C", CODE_A: "A", CODE_B: "B", CODE_C: "C"}


@dataclass(frozen=True, slots=True)
class Stated:
    """Symbol values from start character to the last data value, without check and stop.

    `dropped` tells characters that no value of the chosen set stands for; a printer leaves them
    out, so the print would carry other data than the field seems to say.
    """

    values: tuple[int, ...]
    dropped: tuple[str, ...] = ()


def data_of(values: tuple[int, ...]) -> str:
    """What a scanner reports: GS for every FNC1 but a leading one, FNC4 as Latin-1's upper half."""
    out: list[str] = []
    current, shifted = _SET_OF[values[0]], ""
    high_once = high_lock = False
    for place, value in enumerate(values[1:]):
        active, shifted = shifted or current, ""
        if value == FNC1:
            if place > 0:
                out.append(GS)
        elif active == "C" and value < CODE_B:
            out.append(f"{value:02d}")
        elif value < FNC3:
            char = value + 32 if active == "B" or value < 64 else value - 64
            out.append(chr(char + 128 if high_once != high_lock else char))
            high_once = False
        elif value == SHIFT:
            shifted = "A" if active == "B" else "B"
        elif (active, value) in {("A", CODE_A), ("B", CODE_B)}:
            high_lock, high_once = (not high_lock, False) if high_once else (high_lock, True)
        elif value in _SET_OF:
            current = _SET_OF[value]
    return "".join(out)


def _single(char: str, active: str) -> int | None:
    """Value of one character in set A or B, or None."""
    code = ord(char)
    if active == "A":
        return code - 32 if 32 <= code < 96 else code + 64 if code < 32 else None
    return code - 32 if 32 <= code < 128 else None


class _Reading:
    """Mode N: every code-set change is stated by the sender; the default set is B.

    After a shift the one character that it applies to stands as it is (from memory)."""

    def __init__(self, field: str) -> None:
        self.field, self.at = field, 0
        self.values: list[int] = []
        self.active, self.shifted = "B", ""
        self.dropped: list[str] = []

    def run(self) -> Stated:
        field = self.field
        start = _START.get(field[1:2]) if field[:1] == ">" else None
        self.values.append(start or START_B)
        self.active = _SET_OF[self.values[0]]
        self.at = 2 if start else 0
        while self.at < len(field):
            if field[self.at] == ">" and self.at + 1 < len(field):
                self._invocation(field[self.at + 1])
                self.at += 2
            elif self.shifted or self.active == "B":
                self._character(field[self.at])
                self.at += 1
            else:
                self._pair()
        return Stated(tuple(self.values), tuple(self.dropped))

    def _invocation(self, code: str) -> None:
        if code in _CONTROL:
            value = _CONTROL[code]
            self.values.append(value)
            own = {"A": CODE_A, "B": CODE_B, "C": CODE_C}[self.active]
            if value == SHIFT:
                self.shifted = "A" if self.active == "B" else "B"
            elif value in _SET_OF and value != own:
                self.active = _SET_OF[value]
        elif code in _LITERAL:
            self._character(_LITERAL[code])
        elif code in _START:
            self.active = _SET_OF[_START[code]]
            self.values.append({"A": CODE_A, "B": CODE_B, "C": CODE_C}[self.active])
        else:
            self.dropped.append(">" + code)

    def _character(self, char: str) -> None:
        value = _single(char, self.shifted or self.active)
        self.shifted = ""
        if value is None:
            self.dropped.append(char)
        else:
            self.values.append(value)

    def _pair(self) -> None:
        """Sets A and C take two digits for a value; an unfit character spoils as documented."""
        first, second = self.field[self.at], self.field[self.at + 1 : self.at + 2]
        if not _digit(first):
            self.dropped.append(first)
            self.at += 1
        elif not _digit(second):
            self.dropped.append(first)
            if second in {"", ">"}:
                self.at += 1
            else:
                self.dropped.append(second)
                self.at += 2
        else:
            self.values.append(int(first + second))
            self.at += 2


def _digit(char: str) -> bool:
    return char.isascii() and char.isdigit()


def stated(field: str) -> Stated:
    """Read the values of a field whose sender states each code set (`>:` B, `>;` C, `>9` A)."""
    return _Reading(field).run()


def automatic(field: str, mark: str) -> tuple[str, tuple[str, ...]]:
    """Text of a field whose code sets the printer chooses, `mark` for each FNC1 (`>8`).

    Start codes and set changes carry no data then; other invocation codes still do. The second
    value names what can't be told apart from data and was left out.
    """
    out: list[str] = []
    dropped: list[str] = []
    at = 0
    while at < len(field):
        char, code = field[at], field[at + 1 : at + 2]
        if char != ">" or not code:
            out.append(char)
            at += 1
            continue
        if code == "8":
            out.append(mark)
        elif code in _LITERAL:
            out.append(_LITERAL[code])
        elif code in "234":
            dropped.append(">" + code)
        elif code not in _START and code not in _CONTROL:
            out.append(char)
            at -= 1
        at += 2
    return "".join(out), tuple(dropped)
