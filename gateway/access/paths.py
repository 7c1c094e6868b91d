"""From a request's method and path to its line of the permission table."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from starlette.routing import compile_path

from gateway.access.roles import TABLE, Row, Table


@dataclass(frozen=True, slots=True)
class Matched:
    """The line of the table that a request falls under."""

    template: str
    row: Row
    values: Mapping[str, str]
    """What stands in the path in place of each name."""


class Paths:
    """Finds lines. Where a path fits several, plain text goes before names, names before rests."""

    def __init__(self, table: Table = TABLE) -> None:
        self._plain = {key: row for key, row in table.items() if "{" not in key[1]}
        named = sorted((key for key in table if "{" in key[1]), key=_openness)
        self._named: list[tuple[str, str, re.Pattern[str], Row]] = [
            (method, template, compile_path(template)[0], table[method, template])
            for method, template in named
        ]

    def find(self, method: str, path: str) -> Matched | None:
        """The line, or None where the table has none: then nobody may."""
        if method == "HEAD":
            method = "GET"
        row = self._plain.get((method, path))
        if row is not None:
            return Matched(path, row, {})
        for wanted, template, pattern, named_row in self._named:
            fits = pattern.match(path) if wanted == method else None
            if fits:
                return Matched(template, named_row, fits.groupdict())
        return None

    def methods(self, path: str) -> dict[str, Row]:
        """The methods that the table has for what a path means first, each with its line."""
        methods = ("GET", "POST", "PUT", "PATCH", "DELETE")
        found = [(method, self.find(method, path)) for method in methods]
        there = [(method, one) for method, one in found if one is not None]
        if not there:
            return {}
        nearest = min((one.template for _, one in there), key=lambda text: _openness(("", text)))
        return {method: one.row for method, one in there if one.template == nearest}


def _openness(key: tuple[str, str]) -> tuple[bool, int, str]:
    template = key[1]
    plain = sum(1 for step in template.split("/") if step and "{" not in step)
    return ":path}" in template, -plain, template
