"""The options of a line in the site file, read once and with errors that name the option."""

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path

from adapters.contract import LineSettings
from adapters.errors import Misconfigured, StationFault

Scalar = str | int | float | bool
_DO = "Correct it in the site file."
_SOME_TEXT = "/some-text"


class MissingOption(Misconfigured):
    """An option without a default was not given. `sample` is a value of its sort."""

    def __init__(self, name: str, sample: Scalar, what: str, do: str) -> None:
        super().__init__(what, do=do)
        self.name, self.sample = name, sample


class UnknownOptions(Misconfigured):
    """Options were given that the kind doesn't have."""

    def __init__(self, names: tuple[str, ...], what: str, do: str) -> None:
        super().__init__(what, do=do)
        self.names = names


class Options:
    """Takes options one by one; `finish` refuses those that nobody took."""

    def __init__(self, settings: LineSettings) -> None:
        self.station = settings.station
        self._left = dict(settings.options)

    def wrong(self, name: str, what: str) -> Misconfigured:
        """An error that names station and option."""
        return Misconfigured(self._where(name, what), do=_DO)

    def text(self, name: str, default: str | None = None) -> str:
        """A text; demanded when there is no default."""
        value = self._take(name, default, _SOME_TEXT)
        if not isinstance(value, str) or not value.isprintable():
            raise self.wrong(name, f"needs a text, not {value!r}")
        if value == "" and default is None:
            raise self.wrong(name, "is empty")
        return value

    def number(
        self, name: str, default: float | None = None, *, least: float, most: float
    ) -> float:
        """A number within a range, bounds included."""
        value = self._take(name, default, least)
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
        value = self._take(name, default, sample=False)
        if not isinstance(value, bool):
            raise self.wrong(name, f"needs true or false, not {value!r}")
        return value

    def choice(self, name: str, allowed: tuple[str, ...], default: str | None = None) -> str:
        """One of a closed set of words."""
        value = self._take(name, default, allowed[0])
        if not isinstance(value, str) or value not in allowed:
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
            names = tuple(sorted(self._left))
            text = self._where(names[0], "is not an option of this kind")
            raise UnknownOptions(names, text, _DO)

    def _take(self, name: str, default: Scalar | None, sample: Scalar) -> object:
        value = self._left.pop(name, default)
        if value is None:
            raise MissingOption(name, sample, self._where(name, "is missing"), _DO)
        return value

    def _where(self, name: str, what: str) -> str:
        return f"station {self.station}, option {name}: {what}"


def not_known(
    build: Callable[[LineSettings], object], settings: LineSettings, missing: MissingOption
) -> tuple[str, ...]:
    """Which given options the kind doesn't have: the missing one may stand there misspelt.

    Found by building it again with samples in the place of what is missing, which opens nothing.
    Where a sample won't do, only what is spelt alike is named.
    """
    given, wanted = dict(settings.options), missing
    while wanted.name not in given:
        given[wanted.name] = wanted.sample
        try:
            build(replace(settings, options=given))
        except MissingOption as another:
            wanted = another
        except UnknownOptions as unknown:
            return unknown.names
        except (StationFault, ValueError, TypeError, LookupError, OSError):
            return tuple(get_close_matches(missing.name, settings.options))
        else:
            break
    return ()


def _from_file(options: Options, name: str, path: str) -> str:
    try:
        return Path(path).read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError) as unreadable:
        raise options.wrong(name, f"can't read {path}: {unreadable}") from unreadable
