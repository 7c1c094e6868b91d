"""The options of a line in the site file, read once and with errors that name the option."""

import os
from collections.abc import Mapping
from pathlib import Path

from adapters.contract import LineSettings
from adapters.errors import Misconfigured

Scalar = str | int | float | bool


class Options:
    """Takes options one by one; `finish` refuses those that nobody took."""

    def __init__(self, settings: LineSettings) -> None:
        self.station = settings.station
        self._left = dict(settings.options)

    def wrong(self, name: str, what: str) -> Misconfigured:
        """An error that names station and option."""
        return Misconfigured(
            f"station {self.station}, option {name}: {what}", do="Correct it in the site file."
        )

    def text(self, name: str, default: str | None = None) -> str:
        """A text; demanded when there is no default."""
        value = self._take(name, default)
        if not isinstance(value, str) or not value.isprintable():
            raise self.wrong(name, f"needs a text, not {value!r}")
        if value == "" and default is None:
            raise self.wrong(name, "is empty")
        return value

    def number(
        self, name: str, default: float | None = None, *, least: float, most: float
    ) -> float:
        """A number within a range, bounds included."""
        value = self._take(name, default)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.wrong(name, f"needs a number, not {value!r}")
        if not least <= value <= most:
            raise self.wrong(name, f"{value:g} is outside {least:g} to {most:g}")
        return float(value)

    def whole(self, name: str, default: int | None = None, *, least: int, most: int) -> int:
        """A whole number within a range, bounds included."""
        value = self.number(name, default, least=least, most=most)
        if value != int(value):
            raise self.wrong(name, f"needs a whole number, not {value:g}")
        return int(value)

    def seconds(self, name: str, default: float) -> float:
        """A deadline: more than nothing, at most ten minutes."""
        return self.number(name, default, least=0.001, most=600)

    def yes(self, name: str, default: bool = False) -> bool:
        """True or false."""
        value = self._take(name, default)
        if not isinstance(value, bool):
            raise self.wrong(name, f"needs true or false, not {value!r}")
        return value

    def choice(self, name: str, allowed: tuple[str, ...], default: str | None = None) -> str:
        """One of a closed set of words."""
        value = self.text(name, default)
        if value not in allowed:
            raise self.wrong(name, f"{value!r} is none of {', '.join(allowed)}")
        return value

    def secret(self, name: str) -> str:
        """A secret from the file `NAME_file` or the variable `NAME_env`; empty where neither is.

        Never from the site file itself: that is copied, mailed and kept in version control.
        """
        if name in self._left:
            raise self.wrong(name, f"is a secret: name {name}_file or {name}_env instead")
        file, variable = self.text(f"{name}_file", ""), self.text(f"{name}_env", "")
        if file and variable:
            raise self.wrong(f"{name}_env", f"and {name}_file: keep one")
        if variable:
            if not os.environ.get(variable):
                raise self.wrong(f"{name}_env", f"the environment has no {variable}")
            return os.environ[variable]
        return _from_file(self, f"{name}_file", file) if file else ""

    def table(self, name: str) -> Mapping[str, Scalar]:
        """A table of scalars; empty when left out."""
        value = self._left.pop(name, {})
        if not isinstance(value, dict):
            raise self.wrong(name, "needs a table")
        return value

    def port(self, name: str = "port", default: int | None = None) -> int:
        """A TCP port."""
        return self.whole(name, default, least=1, most=65535)

    def finish(self) -> None:
        """Refuse what nobody took: a misspelt option must not fall back to a default in silence."""
        if self._left:
            name = min(self._left)
            raise self.wrong(name, "is not an option of this kind")

    def _take(self, name: str, default: Scalar | None) -> object:
        value = self._left.pop(name, default)
        if value is None:
            raise self.wrong(name, "is missing")
        return value


def _from_file(options: Options, name: str, path: str) -> str:
    try:
        return Path(path).read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError) as unreadable:
        raise options.wrong(name, f"can't read {path}: {unreadable}") from unreadable
