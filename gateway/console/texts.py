"""Every text of the pages, read from one file so that it can be translated."""

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

FILE = Path(__file__).parent / "texts.toml"


class Texts:
    """Texts by dotted name. A translation may lack some: those are told in English."""

    def __init__(self, translation: Path | None = None) -> None:
        self._texts = dict(_flat(tomllib.loads(FILE.read_text(encoding="utf-8"))))
        if translation is not None:
            other = dict(_flat(tomllib.loads(translation.read_text(encoding="utf-8"))))
            unknown = sorted(set(other) - set(self._texts))
            if unknown:
                raise ValueError(f"{translation.name}: no page uses {', '.join(unknown)}")
            self._texts |= other

    def __call__(self, name: str, **values: object) -> str:
        """The text of that name with its places filled in. Raises KeyError."""
        return self._texts[name].format_map(values)

    def of(self, group: str, name: object, fallback: str = "") -> str:
        """The text of a value of a closed set, such as a state."""
        return self._texts.get(f"{group}.{name}", fallback or str(name).replace("_", " "))

    def has(self, name: str) -> bool:
        """Whether there is a text of that name."""
        return name in self._texts

    def names(self) -> set[str]:
        """The name of every text."""
        return set(self._texts)


def _flat(tree: Mapping[str, object], before: str = "") -> Iterator[tuple[str, str]]:
    for name, value in tree.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{before}{name}.")
        else:
            yield f"{before}{name}", str(value)
