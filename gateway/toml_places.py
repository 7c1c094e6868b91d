"""Where in a TOML text each key, table and array element stands.

The standard reader keeps no line numbers. This one reads only structure, after the standard reader
has found the text to be good, so it need not judge anything.
"""

import tomllib
from typing import Final

Path = tuple[str | int, ...]
"""Keys and array indices from the top, such as ("station", 0, "lines", 1, "kind")."""

_BARE_END: Final = frozenset(",]}#\n")


def places(text: str) -> dict[Path, int]:
    """The line (from 1) on which each path of a well-formed TOML text begins."""
    return _Reader(text).document()


class _Reader:
    def __init__(self, text: str) -> None:
        self._text = text.replace("\r\n", "\n")
        self._at = 0
        self._line = 1
        self._found: dict[Path, int] = {(): 1}
        self._tables_in: dict[Path, int] = {}

    def document(self) -> dict[Path, int]:
        table: Path = ()
        while self._skip_blank():
            if self._ahead("[["):
                table = self._header("[[", "]]", starts_element=True)
            elif self._ahead("["):
                table = self._header("[", "]", starts_element=False)
            else:
                self._pair(table)
        return self._found

    def _ahead(self, token: str) -> bool:
        return self._text.startswith(token, self._at)

    def _peek(self) -> str:
        return self._text[self._at : self._at + 1]

    def _take(self, count: int = 1) -> None:
        self._line += self._text.count("\n", self._at, self._at + count)
        self._at += count

    def _skip_blank(self) -> bool:
        """Skip space, line ends and comments; False at the end of the text."""
        while self._at < len(self._text):
            if self._peek() == "#":
                end = self._text.find("\n", self._at)
                self._at = len(self._text) if end < 0 else end
            elif self._peek().isspace():
                self._take()
            else:
                return True
        return False

    def _skip_space(self) -> None:
        while self._peek() in (" ", "\t"):
            self._take()

    def _note(self, path: Path, line: int) -> None:
        self._found.setdefault(path, line)

    def _header(self, opening: str, closing: str, *, starts_element: bool) -> Path:
        line = self._line
        self._take(len(opening))
        keys = self._keys()
        self._take(len(closing))
        path: Path = ()
        for place, key in enumerate(keys):
            path = (*path, key)
            self._note(path, line)
            if starts_element and place == len(keys) - 1:
                self._tables_in[path] = self._tables_in.get(path, 0) + 1
            if path in self._tables_in:
                path = (*path, self._tables_in[path] - 1)
                self._note(path, line)
        # A table may be opened after one of its sub-tables: the header itself is the better place.
        self._found[path] = line
        return path

    def _keys(self) -> list[str]:
        """A dotted key; ends before whatever follows it."""
        keys = []
        while True:
            self._skip_space()
            keys.append(self._key())
            self._skip_space()
            if self._peek() != ".":
                return keys
            self._take()

    def _key(self) -> str:
        start = self._at
        if self._peek() in ('"', "'"):
            self._string()
            raw = self._text[start : self._at]
            return str(tomllib.loads(f"k = {raw}")["k"])
        while self._peek().isalnum() or self._peek() in ("_", "-"):
            if not self._peek():
                break
            self._take()
        return self._text[start : self._at]

    def _pair(self, table: Path) -> None:
        line = self._line
        path = table
        for key in self._keys():
            path = (*path, key)
            self._note(path, line)
        self._take()
        self._skip_space()
        self._value(path)

    def _value(self, path: Path) -> None:
        match self._peek():
            case '"' | "'":
                self._string()
            case "[":
                self._array(path)
            case "{":
                self._inline_table(path)
            case _:
                while self._peek() and self._peek() not in _BARE_END:
                    self._take()

    def _string(self) -> None:
        quote = self._peek()
        triple = self._ahead(quote * 3)
        closing = quote * 3 if triple else quote
        self._take(len(closing))
        while not self._ahead(closing):
            self._take(2 if quote == '"' and self._peek() == "\\" else 1)
        self._take(len(closing))
        while triple and self._peek() == quote:
            self._take()

    def _array(self, path: Path) -> None:
        self._take()
        index = 0
        while self._skip_blank() and self._peek() != "]":
            self._note((*path, index), self._line)
            self._value((*path, index))
            index += 1
            self._skip_blank()
            if self._peek() == ",":
                self._take()
        self._take()

    def _inline_table(self, path: Path) -> None:
        self._take()
        while self._skip_blank() and self._peek() != "}":
            self._pair(path)
            self._skip_blank()
            if self._peek() == ",":
                self._take()
        self._take()
